"""`swr-high`: the SWR at the transmitter is over an absolute limit, from the first reading on.

Each severity has its limit; the critical one is never above the SWR at which this transmitter folds back or
that it is specified to stand. Several usable readings in a row are needed either way, and to clear the SWR
has to fall a margin below the limit. A reading counts as over a limit only if it is so whatever the meter's
rounding hides. Reflected power a little above forward power is total reflection read
by an imperfect meter, so it counts as over every limit; far above, it is a fault of the measurement.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_high_swr
from standingwatch.detect.interface import Block, Finding, Outcome, State, Value
from standingwatch.detect.resolution import STEPS_W, finest_so_far, step_index
from standingwatch.detect.segments import Segments, held, latch
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.rf import (
    is_passive,
    power_step_bounds,
    return_loss_db_from_rho,
    rho_at_antenna,
    rho_from_power,
    swr_from_rho,
)

SEVERITIES = (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL)

#: Reflected power up to this multiple of forward power is total reflection and meter error (two meters that
#: are each good to 10 %: common practice, no source).
TOTAL_REFLECTION_RATIO = 1.25


@dataclass(frozen=True)
class LimitSettings:
    """Limits of the SWR at the transmitter, and how many readings it takes."""

    warning_swr: float = 1.5
    minor_swr: float = 1.7
    major_swr: float = 2.0
    critical_swr: float = 3.0
    clear_margin: float = 0.1
    readings_to_raise: int = 3
    readings_to_clear: int = 3


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
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def transmitter_state(self) -> np.dtype[Any]:
        """Runs and switch of each severity, the last SWR, that before the rise, how fine the meter counts."""
        levels = len(SEVERITIES)
        return np.dtype(
            [
                ("over", np.int16, levels),
                ("under", np.int16, levels),
                ("on", np.bool_, levels),
                ("last_swr", np.float64),
                ("calm_swr", np.float64),
                ("step", np.int8),
            ]
        )

    def initial(self, transmitters: State, sites: State) -> None:
        """Nothing latched, no reading seen."""
        transmitters["last_swr"] = transmitters["calm_swr"] = np.nan

    def step(self, block: Block, fleet: Fleet, transmitters: State, sites: State) -> Outcome:
        """Judge the usable readings of the block."""
        readings = block.readings
        rho = rho_from_power(readings.forward_w, readings.reflected_w)
        total = ((readings.flags & UNUSABLE) == Flag.REFLECTED_ABOVE_FORWARD) & (
            readings.reflected_w <= TOTAL_REFLECTION_RATIO * readings.forward_w
        )
        usable = ((((readings.flags & UNUSABLE) == 0) & is_passive(rho)) | total) & ~block.working
        rows = np.flatnonzero(usable)
        if len(rows) == 0:
            return Outcome()
        owner = readings.transmitter[rows]
        segments = Segments.of(owner)
        swr = np.where(total[rows], np.inf, swr_from_rho(np.minimum(rho[rows], 1.0)))
        step = finest_so_far(
            step_index(readings.reflected_w[rows]),
            segments,
            transmitters["step"][segments.owner].astype(np.int64),
        )
        transmitters["step"][segments.owner] = step[segments.last]
        forward_w, reflected_w = readings.forward_w[rows], readings.reflected_w[rows]
        rho_least, _ = power_step_bounds(forward_w, reflected_w, STEPS_W[step], STEPS_W[step])
        swr_least = np.where(total[rows], np.inf, swr_from_rho(np.minimum(rho_least, 1.0)))
        table = limits_of(fleet, self.settings)
        before = self._severity(transmitters["on"][segments.owner])
        on = np.empty((len(rows), len(SEVERITIES)), dtype=np.bool_)
        for level in range(len(SEVERITIES)):
            limit = table[level][owner]
            latched = latch(
                swr_least >= limit,
                swr < np.maximum(limit - self.settings.clear_margin, 1.0 + 1e-9),
                segments,
                rows_to_raise=self.settings.readings_to_raise,
                rows_to_clear=self.settings.readings_to_clear,
                over_run=transmitters["over"][segments.owner, level].astype(np.int64),
                under_run=transmitters["under"][segments.owner, level].astype(np.int64),
                on=transmitters["on"][segments.owner, level],
            )
            on[:, level] = latched.on
            # A run longer than what decides need not be remembered in full.
            transmitters["over"][segments.owner, level] = np.minimum(latched.over_run, 10_000)
            transmitters["under"][segments.owner, level] = np.minimum(latched.under_run, 10_000)
            transmitters["on"][segments.owner, level] = latched.on_at_end
        severity = self._severity(on)
        previous = np.empty_like(severity)
        previous[1:] = severity[:-1]
        previous[segments.first] = before
        previous_swr = np.empty_like(swr)
        previous_swr[1:] = swr[:-1]
        previous_swr[segments.first] = transmitters["last_swr"][segments.owner]
        transmitters["last_swr"][segments.owner] = swr[segments.last]
        changed = np.flatnonzero(severity != previous)
        calm = self._calm_before(
            swr, table[0][owner], previous_swr, segments, transmitters["calm_swr"][segments.owner]
        )
        transmitters["calm_swr"][segments.owner] = calm[segments.last]
        return Outcome(
            findings=[
                self._finding(
                    block,
                    fleet,
                    table,
                    int(rows[i]),
                    Severity(int(severity[i])),
                    (float(swr[i]), float(swr_least[i]), float(calm[i])),
                )
                for i in changed
            ]
        )

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
        }
        return Finding(
            site=int(fleet.site_of[owner]),
            transmitter=owner,
            condition=Condition.SWR_HIGH,
            severity=severity,
            time_us=int(readings.time_us[row]),
            evidence=evidence,
            causes=() if ended else causes_of_high_swr(swr, swr_calm),
        )


def _known(value: float) -> float | None:
    """The value, or None where it is not known."""
    return float(value) if np.isfinite(value) else None
