"""`swr-high`: the SWR at the transmitter is over an absolute limit, from the first reading on.

Each severity has its limit; the critical one is never above the SWR at which this transmitter folds back or
that it is specified to stand. Several usable readings in a row are needed either way, and to clear the SWR
has to fall a margin below the limit. A reading counts as over a limit only if it is so whatever the meter's
rounding hides. The two lower limits ask for more once there is a baseline: that the SWR is well above this
transmitter's own normal, rain included, and has been for a day; a line that always stood at 1.5:1 is not news
(common practice: below 2:1 is well kept). Before there is one, the lowest limit says nothing.

Reflected power a little above forward power is total reflection read by an imperfect meter, so it counts as
over every limit; far above, it is a fault of the measurement.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_high_swr
from standingwatch.detect.day import Day
from standingwatch.detect.ice import ICE_FIELDS, may_be_ice, not_ice_since, note_raised, retold
from standingwatch.detect.interface import Block, Finding, Outcome, Own, State, Value
from standingwatch.detect.segments import Segments, held, latch, shifted
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.rf import (
    is_passive,
    return_loss_db_from_rho,
    rho_at_antenna,
    rho_from_power,
    swr_from_rho,
)

SEVERITIES = (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL)

#: How many of the severities, from below, ask for more where there is a baseline.
LOWER_LEVELS = 2

#: Reflected power up to this multiple of forward power is total reflection and meter error (two meters that
#: are each good to 10 %: common practice, no source).
TOTAL_REFLECTION_RATIO = 1.25


@dataclass(frozen=True)
class LimitSettings:
    """Limits of the SWR at the transmitter, and what it takes.

    Attributes:
        warning_swr, minor_swr, major_swr, critical_swr: the limits.
        clear_margin: how far below a limit the SWR has to fall.
        readings_to_raise, readings_to_clear: usable readings in a row.
        lower_hours: how long the two lower limits have to be passed where there is a baseline [h].
        above_normal_rho: how far above its normal rho has to be for them, at least.
    """

    warning_swr: float = 1.5
    minor_swr: float = 1.7
    major_swr: float = 2.0
    critical_swr: float = 3.0
    clear_margin: float = 0.1
    readings_to_raise: int = 3
    readings_to_clear: int = 3
    lower_hours: float = 24.0
    above_normal_rho: float = 0.06


def limits_of(fleet: Fleet, settings: LimitSettings) -> FloatArray:
    """SWR limits, one row per severity of `SEVERITIES`, one column per transmitter."""
    table = np.empty((len(SEVERITIES), len(fleet)))
    table[:] = np.array(
        [settings.warning_swr, settings.minor_swr, settings.major_swr, settings.critical_swr]
    )[:, None]
    table[3] = np.fmin(np.fmin(table[3], fleet.foldback_swr), fleet.tolerance_swr)
    return table


@dataclass(frozen=True)
class Limits:
    """The detector of `swr-high`."""

    settings: LimitSettings = field(default_factory=LimitSettings)
    name: str = "limits"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Runs and switch of each severity, whether normal was left (2), the last SWR, that before; ice."""
        levels = len(SEVERITIES)
        return np.dtype(
            [
                ("over", np.int16, levels),
                ("under", np.int16, levels),
                ("since_us", np.int64, levels),
                ("on", np.bool_, levels),
                ("left", np.int8),
                ("last_swr", np.float64),
                ("calm_swr", np.float64),
                *ICE_FIELDS,
            ]
        )

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def slow_state(self) -> np.dtype[Any]:
        """Nothing apart from what readings change."""
        return np.dtype([])

    def initial(self, own: Own) -> None:
        """Nothing latched, no reading seen."""
        own.quick["last_swr"] = own.quick["calm_swr"] = np.nan

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge the usable readings of the block; at the close of a day, whether it was ice."""
        findings = self._readings(block, fleet, own)
        if block.day is not None:
            standing: BoolArray = np.any(own.quick["on"], axis=1)
            for position in retold(own.quick, standing, block.day, fleet).tolist():
                findings.append(self._again(block.day, fleet, own, position))
        return Outcome(findings)

    def _again(self, day: Day, fleet: Fleet, own: Own, position: int) -> Finding:
        """The alarm that stands, put down to ice or no longer."""
        record = own.quick[position]
        swr, calm = float(record["last_swr"]), float(record["calm_swr"])
        return Finding(
            site=int(fleet.site_of[position]),
            transmitter=position,
            condition=Condition.SWR_HIGH,
            severity=Severity(int(self._severity(record["on"][None, :])[0])),
            time_us=day.told_us,
            evidence={
                "swr": swr,
                "swr_before": _known(calm),
                "temperature_told": bool(day.temperature_told[fleet.site_of[position]]),
            }
            | not_ice_since(record["not_ice_us"]),
            causes=causes_of_high_swr(
                swr,
                calm,
                iced=bool(record["by_ice"]),
                told=bool(day.temperature_told[fleet.site_of[position]]),
            ),
        )

    def _readings(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        readings, record, rho = block.readings, own.quick, block.rho
        total = ((readings.flags & UNUSABLE) == Flag.REFLECTED_ABOVE_FORWARD) & (
            readings.reflected_w <= TOTAL_REFLECTION_RATIO * readings.forward_w
        )
        rows = np.flatnonzero(block.trusted | (total & ~block.working))
        if len(rows) == 0:
            return []
        table = limits_of(fleet, self.settings)
        owner = readings.transmitter[rows]
        swr = np.where(total[rows], np.inf, swr_from_rho(np.fmin(rho[rows], 1.0)))
        # Only those that are over a limit, or were, are followed reading by reading.
        follow: BoolArray = np.any(record["on"] | (record["over"] > 0), axis=1)
        follow[owner[swr >= table.min(axis=0)[owner]]] = True
        segments = Segments.of(owner)
        previous_swr = shifted(swr, segments, record["last_swr"][segments.owner])
        record["last_swr"][segments.owner] = swr[segments.last]
        chosen = np.flatnonzero(follow[owner])
        if len(chosen) == 0:
            return []
        rows, owner, swr, previous_swr = rows[chosen], owner[chosen], swr[chosen], previous_swr[chosen]
        time_us = readings.time_us[rows]
        segments = Segments.of(owner)
        rho_least = np.where(total[rows], 1.0, block.rho_least[rows])
        swr_least = np.where(total[rows], np.inf, swr_from_rho(rho_least))
        normal = block.normal.rho[rows]
        known = np.isfinite(normal)
        wanted = self._above_normal(block, rows)
        far = rho_least - normal >= wanted
        # Where a line's own normal lies above a lower limit, to be back there is all that can be asked for.
        # One that was raised before there was a normal, and never left it since, is not back at it.
        low = swr < np.maximum(table[0][owner] - self.settings.clear_margin, 1.0 + 1e-9)
        left = held(
            np.where(known & far, 2, np.where(low | ~known, 1, 0)),
            segments,
            record["left"][segments.owner].astype(np.int64),
        )
        back = known & (rho[rows] - normal < 0.5 * wanted) & (left == 2)
        hold_us = int(self.settings.lower_hours * 3.6e9)
        before = self._severity(record["on"][segments.owner])
        on = np.empty((len(rows), len(SEVERITIES)), dtype=np.bool_)
        for level in range(len(SEVERITIES)):
            limit = table[level][owner]
            over = swr_least >= limit
            ready = None
            under = swr < np.maximum(limit - self.settings.clear_margin, 1.0 + 1e-9)
            if level < LOWER_LEVELS:
                under |= back & ~total[rows]
                over &= far if level == 0 else far | ~known
                starts = over & ~shifted(over, segments, record["over"][segments.owner, level] > 0)
                since = held(
                    np.where(starts, time_us, 0), segments, record["since_us"][segments.owner, level]
                )
                record["since_us"][segments.owner, level] = since[segments.last]
                ready = ~known | (time_us - since >= hold_us)
            latched = latch(
                over,
                under & ~over,
                segments,
                rows_to_raise=self.settings.readings_to_raise,
                rows_to_clear=self.settings.readings_to_clear,
                over_run=record["over"][segments.owner, level].astype(np.int64),
                under_run=record["under"][segments.owner, level].astype(np.int64),
                on=record["on"][segments.owner, level],
                ready=ready,
            )
            on[:, level] = latched.on
            # A run longer than what decides need not be remembered in full.
            record["over"][segments.owner, level] = np.minimum(latched.over_run, 10_000)
            # One that nothing depends on is not kept: what is not followed and what is end up alike.
            record["under"][segments.owner, level] = np.where(
                latched.on_at_end, np.minimum(latched.under_run, 10_000), 0
            )
            record["on"][segments.owner, level] = latched.on_at_end
        lower_on = on[segments.last, :LOWER_LEVELS].any(axis=1)
        # Kept only while something depends on it: what is not followed and what is end up alike.
        record["left"][segments.owner] = np.where(lower_on, left[segments.last], 0)
        severity = self._severity(on)
        previous = shifted(severity, segments, before)
        changed = np.flatnonzero(severity != previous)
        calm = self._calm_before(
            swr, table[0][owner], previous_swr, segments, record["calm_swr"][segments.owner]
        )
        record["calm_swr"][segments.owner] = calm[segments.last]
        findings = []
        for i in changed.tolist():
            position = int(owner[i])
            if severity[i] > previous[i]:
                site, time = int(fleet.site_of[position]), int(time_us[i])
                iced = block.weather.frost_at(site, time, block.base.grace_us)
                new = previous[i] == int(Severity.CLEARED)
                if new or (iced and may_be_ice(record[position], time)):
                    note_raised(record[position : position + 1], time, float(swr[i]), iced)
            findings.append(
                self._finding(
                    block,
                    fleet,
                    table,
                    int(rows[i]),
                    Severity(int(severity[i])),
                    (float(swr[i]), float(swr_least[i]), float(calm[i])),
                    record[position],
                )
            )
        return findings

    def _above_normal(self, block: Block, rows: IntArray) -> FloatArray:
        """How far above normal a reading has to be for the lower limits, in rho: more than rain has done."""
        rain = block.normal.wet_excess[rows]
        wanted: FloatArray = np.fmax(
            np.fmax(self.settings.above_normal_rho, 6.0 * block.normal.hour_spread[rows]),
            1.5 * np.where(np.isfinite(rain), rain, 0.0),
        )
        return wanted

    @staticmethod
    def _severity(on: BoolArray) -> IntArray:
        """The gravest latched severity of each row, as a number; `CLEARED` where none is."""
        numbers = np.array([int(s) for s in SEVERITIES])
        gravest: IntArray = np.where(on, numbers, int(Severity.CLEARED)).max(axis=-1)
        return gravest

    @staticmethod
    def _calm_before(
        swr: FloatArray,
        warning: FloatArray,
        previous_swr: FloatArray,
        segments: Segments,
        carried: FloatArray,
    ) -> FloatArray:
        """The SWR of the reading before the lowest limit was last passed; NaN if it never was."""
        crossing = (swr >= warning) & ~(previous_swr >= warning)
        position = np.where(crossing, np.arange(1, len(swr) + 1), 0)
        at = held(position, segments, np.zeros(len(segments), dtype=np.int64))
        return np.where(at > 0, previous_swr[np.maximum(at - 1, 0)], carried[segments.of_row])

    def _finding(
        self,
        block: Block,
        fleet: Fleet,
        table: FloatArray,
        row: int,
        severity: Severity,
        swrs: tuple[float, float, float],
        record: State,
    ) -> Finding:
        """The finding at a reading; `swrs`: its SWR, the least that it can be, the one before the rise."""
        swr, swr_least, swr_calm = swrs
        readings = block.readings
        owner = int(readings.transmitter[row])
        forward_w, reflected_w = float(readings.forward_w[row]), float(readings.reflected_w[row])
        rho = min(float(rho_from_power(forward_w, reflected_w)), 1.0)
        at_antenna = float(rho_at_antenna(rho, float(fleet.feeder_loss_db[owner])))
        ended = severity is Severity.CLEARED
        limit = float(table[0 if ended else SEVERITIES.index(severity), owner])
        needed = self.settings.readings_to_clear if ended else self.settings.readings_to_raise
        evidence: dict[str, Value] = {
            "swr": swr,
            "swr_least": swr_least,
            "return_loss_db": float(return_loss_db_from_rho(rho)),
            "swr_at_antenna": float(swr_from_rho(at_antenna)) if is_passive(at_antenna) else None,
            "forward_w": forward_w,
            "reflected_w": reflected_w,
            "limit_swr": limit,
            "clear_below_swr": limit - self.settings.clear_margin,
            "readings_in_a_row": needed,
            "swr_before": _known(swr_calm),
            "foldback_swr": _known(fleet.foldback_swr[owner]),
            "temperature_told": block.weather.temperature_told_at(
                int(fleet.site_of[owner]), int(readings.time_us[row]), block.base.grace_us
            ),
        }
        told, iced = bool(evidence["temperature_told"]), bool(record["by_ice"])
        return Finding(
            site=int(fleet.site_of[owner]),
            transmitter=owner,
            condition=Condition.SWR_HIGH,
            severity=severity,
            time_us=int(readings.time_us[row]),
            evidence=evidence | not_ice_since(int(record["not_ice_us"])),
            causes=() if ended else causes_of_high_swr(swr, swr_calm, iced=iced, told=told),
        )


def _known(value: float) -> float | None:
    """The value, or None where it is not known."""
    return float(value) if np.isfinite(value) else None
