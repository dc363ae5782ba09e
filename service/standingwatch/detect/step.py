"""`swr-step`: a transmitter stepped away from its baseline, at once or overnight, and stays there.

A large step (a fallen antenna, a short, an open) is told within three readings, also where the feeder's loss
keeps the SWR at the transmitter below every limit: what counts is the SWR at the antenna's end, and that the
baseline was far from it. A small one needs the days that a departure needs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.at_once import AT_ONCE_RHO, AT_ONCE_US, leads_away
from standingwatch.detect.cause import causes_of_high_swr, causes_of_step, rain_evidence
from standingwatch.detect.departure import DepartureSettings, depart
from standingwatch.detect.evidence import departure_evidence, known, neighbours
from standingwatch.detect.history import DAY_US, FULL, KIND_WORDS
from standingwatch.detect.ice import ICE_FIELDS, may_be_ice, not_ice_since, note_raised, retold
from standingwatch.detect.interface import Block, Finding, Outcome, Own
from standingwatch.detect.scale import ASSUMED, LEAST_SHOWN, LEAST_SHOWN_AT_ONCE, attenuation, known_loss_db
from standingwatch.detect.segments import Segments, held, latch, run_length, shifted
from standingwatch.detect.severity import SeverityTable, of_step
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import Fleet
from standingwatch.rf import return_loss_db_from_rho, rho_at_antenna, swr_from_rho

#: Counts of the meter by which the reflected power has to rise for a step that a lossy feeder makes small:
#: one comes and goes with the noise.
MORE_COUNTS = 1.5

#: What is more than rain does at the antenna of a line that has not been seen in any, in rho (common
#: practice, no source).
UNSEEN_RAIN_RHO = 0.14


@dataclass(frozen=True)
class StepSettings:
    """What a large step is.

    Attributes:
        swr_at_antenna: SWR at the antenna end that a large step leads to, at least.
        smallest_step_rho: change at the antenna end, in rho, below which no step is large.
        spread_multiple: change in multiples of the normal spread of hourly levels.
        readings_to_raise: usable readings in a row.
        readings_to_clear: usable readings in a row back at normal.
    """

    swr_at_antenna: float = 2.0
    smallest_step_rho: float = 0.15
    spread_multiple: float = 8.0
    readings_to_raise: int = 3
    readings_to_clear: int = 12


@dataclass(frozen=True)
class Step:
    """The detector of `swr-step`."""

    settings: StepSettings = field(default_factory=StepSettings)
    departure: DepartureSettings = field(default_factory=DepartureSettings)
    severity: SeverityTable = field(default_factory=SeverityTable)
    name: str = "step"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Runs and switch of the large step, the last reading, how it began, and what was told.

        `began` is 2 for a run that began at once, from one reading to the next, 1 for another, 0 before any.
        """
        return np.dtype(
            [
                ("over", np.int16),
                ("under", np.int16),
                ("large", np.bool_),
                ("small", np.bool_),
                ("severity", np.int8),
                ("cleared_us", np.int64),
                ("last_rho", np.float64),
                ("last_us", np.int64),
                ("before_last_rho", np.float64),
                ("calm_rho", np.float64),
                ("began", np.int8),
                ("at_once", np.bool_),
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
        """No step, no reading."""
        for name in ("last_rho", "before_last_rho", "calm_rho"):
            own.quick[name] = np.nan

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge the readings for large steps, and the day for small ones."""
        findings = self._large(block, fleet, own)
        if block.day is not None:
            findings += self._small(block, fleet, own)
            findings += self._by_ice(block, fleet, own)
        return Outcome(findings)

    def _large(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        rows = np.flatnonzero(block.trusted & np.isfinite(block.normal.rho))
        if len(rows) == 0:
            return []
        record, settings = own.quick, self.settings
        owner, time_us = block.readings.transmitter[rows], block.readings.time_us[rows]
        segments = Segments.of(owner)
        # A single bad reading is no jump: it has to lead away from the two before it, and to stay.
        rho = block.rho[rows]
        last = shifted(rho, segments, record["last_rho"][segments.owner])
        before_last = shifted(last, segments, record["before_last_rho"][segments.owner])
        calm = np.fmax(last, before_last)
        calm_before = shifted(calm, segments, record["calm_rho"][segments.owner])
        waited_us = time_us - shifted(time_us, segments, record["last_us"][segments.owner])
        record["last_rho"][segments.owner] = rho[segments.last]
        record["before_last_rho"][segments.owner] = last[segments.last]
        record["calm_rho"][segments.owner] = calm[segments.last]
        record["last_us"][segments.owner] = time_us[segments.last]
        # Where the loss is not known it may be as much as slow changes are followed through.
        shown = attenuation(fleet, unknown=LEAST_SHOWN, least=LEAST_SHOWN_AT_ONCE)
        smallest = settings.smallest_step_rho * shown
        # Only those that are far above normal, or were, are followed reading by reading.
        follow = record["large"] | (record["over"] > 0)
        far_above = block.rho_least[rows] - block.normal.rho[rows] >= smallest[owner]
        follow[owner[far_above]] = True
        chosen = np.flatnonzero(follow[owner])
        rows, owner = rows[chosen], owner[chosen]
        if len(rows) == 0:
            return []
        segments = Segments.of(owner)
        least = block.rho_least[rows]
        jump = AT_ONCE_RHO * attenuation(fleet, unknown=1.0 / ASSUMED)[owner]
        at_once = leads_away(block.rho[rows], least, calm[chosen], jump) & (waited_us[chosen] <= AT_ONCE_US)
        stays = leads_away(block.rho[rows], least, calm_before[chosen], jump)
        normal = block.normal.rho[rows]
        at_antenna = np.fmin(rho_at_antenna(least, known_loss_db(fleet)[owner]), 1.0)
        known_end = np.where(np.isfinite(at_antenna), at_antenna, 0.0)
        surely_far = swr_from_rho(known_end) >= settings.swr_at_antenna
        # Where the level had left its baseline already, the step counts from there: a rise is no step.
        level = np.fmax(normal, block.normal.recent[rows])
        spread = settings.spread_multiple * block.normal.hour_spread[rows]
        far = np.fmax(settings.smallest_step_rho * attenuation(fleet)[owner], spread)
        # A reading of a coarse meter has to be that far away by more than its own rounding.
        away, rounding = least - level, block.rho[rows] - least
        # Where the loss is not known, much is assumed: a limit at the antenna must not hide a fault behind
        # it, nor what rain has always done pass for one.
        far_end = known_end / np.where(np.isfinite(fleet.feeder_loss_db[owner]), 1.0, shown[owner])
        led_far = swr_from_rho(np.fmin(far_end, 1.0)) >= settings.swr_at_antenna
        led_far |= away >= AT_ONCE_RHO * shown[owner]
        full = block.normal.kind[rows] >= FULL
        wet = block.normal.wet_excess[rows]
        rain = 1.5 * np.nan_to_num(wet)
        over = (away >= far + rounding) & led_far & (surely_far | (full & (away >= far + rain)))
        # What a lossy feeder makes small is far enough where nothing that is known of the line does the same,
        # nor rain that has not been seen yet.
        far_small = np.fmax(smallest[owner], spread)
        most_shown = attenuation(fleet, unknown=1.0 / ASSUMED, least=LEAST_SHOWN_AT_ONCE)[owner]
        beyond_rain = away >= np.where(np.isfinite(wet), far_small + rain, UNSEEN_RAIN_RHO * most_shown)
        half_count = block.rho[rows] ** 2 - least**2
        counts = block.rho[rows] ** 2 - level**2 >= 2.0 * MORE_COUNTS * half_count
        over |= full & (away >= far_small + rounding) & beyond_rain & counts & led_far
        runs = run_length(over, segments, record["over"][segments.owner].astype(np.int64))
        begins = np.where(over & (runs == 1), np.where(at_once, 2, 1), 0)
        begins = np.where(over & (runs == 2) & ~stays, 1, begins)
        began = held(begins, segments, record["began"][segments.owner].astype(np.int64))
        record["began"][segments.owner] = began[segments.last]
        under = block.rho[rows] - normal < 0.5 * np.fmin(far, far_small)
        latched = latch(
            over,
            under & ~over,
            segments,
            rows_to_raise=settings.readings_to_raise,
            rows_to_clear=settings.readings_to_clear,
            over_run=record["over"][segments.owner].astype(np.int64),
            under_run=record["under"][segments.owner].astype(np.int64),
            on=record["large"][segments.owner],
        )
        record["over"][segments.owner] = np.minimum(latched.over_run, 10_000)
        # One that nothing depends on is not kept: what is not followed and what is end up alike.
        record["under"][segments.owner] = np.where(
            latched.on_at_end, np.minimum(latched.under_run, 10_000), 0
        )
        before = (
            held(
                np.zeros(len(rows), dtype=np.int64), segments, np.where(record["large"][segments.owner], 1, 0)
            )
            > 0
        )
        previous = np.where(np.arange(len(rows)) == segments.first_of_row(), before, np.roll(latched.on, 1))
        record["large"][segments.owner] = latched.on_at_end
        findings = []
        for i in np.flatnonzero(latched.on != previous).tolist():
            finding = self._told(
                block, fleet, own, int(rows[i]), bool(latched.on[i]), float(at_antenna[i]), int(began[i]) == 2
            )
            if finding is not None:
                findings.append(finding)
        return findings

    def _told(
        self, block: Block, fleet: Fleet, own: Own, row: int, on: bool, rho_antenna: float, at_once: bool
    ) -> Finding | None:
        """What is told when a large step comes or goes at a reading; None if a small one is told already."""
        readings = block.readings
        position = int(readings.transmitter[row])
        record = own.quick[position : position + 1]
        swr_at_antenna = float(swr_from_rho(rho_antenna)) if np.isfinite(rho_antenna) else np.inf
        severity = of_step(self.severity, swr_at_antenna) if on else Severity.CLEARED
        if not on and record["small"][0]:
            return None
        if on:
            severity = Severity(max(int(severity), int(record["severity"][0])))
            if int(record["severity"][0]) == int(severity):
                return None
        if on:
            site, time_us = int(fleet.site_of[position]), int(readings.time_us[row])
            # Ice grows over hours: what came from one reading to the next is none.
            iced = not at_once and block.weather.frost_at(site, time_us, block.base.grace_us)
            if not record["severity"][0] or (iced and may_be_ice(record[0], time_us)):
                note_raised(record, time_us, float(swr_from_rho(min(float(block.rho[row]), 1.0))), iced)
            record["at_once"] = at_once
        record["severity"] = int(severity) if on else 0
        if not on:
            record["cleared_us"] = int(readings.time_us[row])
        rho, normal = float(block.rho[row]), float(block.normal.rho[row])
        swr, swr_before = float(swr_from_rho(min(rho, 1.0))), float(swr_from_rho(normal))
        told = block.weather.temperature_told_at(
            int(fleet.site_of[position]), int(readings.time_us[row]), block.base.grace_us
        )
        return Finding(
            site=int(fleet.site_of[position]),
            transmitter=position,
            condition=Condition.SWR_STEP,
            severity=severity,
            time_us=int(readings.time_us[row]),
            evidence={
                "swr": swr,
                "swr_at_antenna": swr_at_antenna,
                "feeder_loss_known": bool(np.isfinite(fleet.feeder_loss_db[position])),
                "return_loss_db": known(return_loss_db_from_rho(rho)),
                "baseline_return_loss_db": known(return_loss_db_from_rho(normal)),
                "baseline_swr": swr_before,
                "baseline_kind": KIND_WORDS[int(block.normal.kind[row])],
                "change_rho": rho - normal,
                "forward_w": float(readings.forward_w[row]),
                "reflected_w": float(readings.reflected_w[row]),
                "temperature_told": told,
                "came_at_once": bool(record["at_once"][0]) if on else None,
                "readings_in_a_row": self.settings.readings_to_raise
                if on
                else self.settings.readings_to_clear,
            }
            | not_ice_since(record["not_ice_us"][0]),
            causes=causes_of_high_swr(
                swr, swr_before, iced=bool(record["by_ice"][0]), stepped=True, told=told
            )
            if on
            else (),
        )

    @staticmethod
    def _by_ice(block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        """Steps that stand, put down to ice or no longer."""
        findings = []
        record, state = own.quick, block.base.state
        standing = record["severity"] > 0
        for position in retold(record, standing, block.closed_day(), fleet, record["at_once"]).tolist():
            before = float(swr_from_rho(min(float(state["rho"][position]), 1.0)))
            iced = bool(record["by_ice"][position])
            told = bool(block.closed_day().temperature_told[fleet.site_of[position]])
            findings.append(
                Finding(
                    site=int(fleet.site_of[position]),
                    transmitter=position,
                    condition=Condition.SWR_STEP,
                    severity=Severity(int(record["severity"][position])),
                    time_us=block.closed_day().told_us,
                    evidence={
                        "baseline_swr": known(before),
                        "temperature_told": told,
                        "came_at_once": bool(record["at_once"][position]),
                    }
                    | not_ice_since(record["not_ice_us"][position]),
                    causes=causes_of_high_swr(
                        float(record["raised_swr"][position]), before, iced=iced, stepped=True, told=told
                    ),
                )
            )
        return findings

    def _small(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        """Steps that the day's level has shown, and those that went back."""
        day = block.closed_day()
        record = own.quick
        seen = depart(block.base.state, fleet, self.departure, day.number)
        # Readings that are back at normal know better than the levels of the days before.
        not_back = record["cleared_us"] < day.end_us - DAY_US
        # A step stays: what went back by itself lately, where nobody tells the rain, may be rain once more.
        not_back &= day.rain_told[fleet.site_of] | ~day.went_back
        comes = (
            not_back
            & seen.away
            & seen.abrupt
            & ~record["small"]
            & (seen.swr_at_antenna >= self.departure.floor_swr)
        )
        goes = record["small"] & (seen.back | day.renewed)
        # Work on record ends a large step too: its readings have a new baseline to be held against.
        goes |= day.renewed & (record["severity"] > 0)
        findings = []
        for position in np.flatnonzero(comes | goes).tolist():
            one = record[position : position + 1]
            before = int(one["severity"][0])
            if goes[position]:
                one["small"] = False
                if day.renewed[position]:
                    one["large"], one["over"], one["under"] = False, 0, 0
                if one["large"][0] or not before:
                    continue
                one["severity"], severity = 0, Severity.CLEARED
            else:
                one["small"] = True
                severity = of_step(self.severity, float(seen.swr_at_antenna[position]))
                severity = Severity(max(int(severity), before))
                if not before:
                    level_swr = float(swr_from_rho(float(np.clip(seen.level[position], 0.0, 1.0))))
                    note_raised(one, day.told_us, level_swr, bool(day.by_weather()[fleet.site_of[position]]))
                    one["at_once"] = False
                one["severity"] = int(severity)
                if int(severity) == before:
                    continue
            evidence = departure_evidence(block, fleet, seen, position)
            evidence["came_at_once"] = bool(one["at_once"][0])
            evidence["temperature_told"] = bool(day.temperature_told[fleet.site_of[position]])
            evidence |= not_ice_since(one["not_ice_us"][0])
            swr, swr_before = evidence["swr"], evidence["baseline_swr"]
            was, now = float(swr_before or 1.0), float(swr or 1.0)
            causes = causes_of_step(
                was,
                now,
                neighbours(fleet, seen, position),
                rain_evidence(block.base.state, day.number, position),
            )
            if severity is Severity.CLEARED:
                causes = ()
            elif one["by_ice"][0]:
                causes = causes_of_high_swr(now, was, iced=True, told=bool(evidence["temperature_told"]))
            findings.append(
                Finding(
                    site=int(fleet.site_of[position]),
                    transmitter=position,
                    condition=Condition.SWR_STEP,
                    severity=severity,
                    time_us=day.told_us,
                    evidence=evidence,
                    causes=causes,
                )
            )
        return findings
