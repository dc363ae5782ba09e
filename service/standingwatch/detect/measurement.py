"""`measurement-suspect`: readings that cannot be, or that no line gives.

Reflected power far above forward power; exactly nothing reflected where something was; a pair of values that
never moves where it used to; a ratio that jumps from reading to reading. A finding about the coupler, its
detector or its wiring, not about the antenna. A meter too coarse to show anything is no fault: its step is in
the evidence of whatever is judged by it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_suspect_measurement
from standingwatch.detect.history import NO_BASELINE
from standingwatch.detect.interface import Block, Finding, Outcome, Own, State
from standingwatch.detect.limits import TOTAL_REFLECTION_RATIO
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.scale import one_step_rho
from standingwatch.detect.segments import Segments
from standingwatch.detect.switch import SWITCH, follow
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.flags import Flag
from standingwatch.readings.fleet import BoolArray, Fleet

#: Hours that are counted apart: a day, and the longest grace for late readings after it.
HOURS = 50

WHY = (
    "",
    "reflected power far above forward power",
    "exactly nothing reflected, where something was before",
    "forward and reflected power never move, where they used to",
    "the ratio jumps from reading to reading and does not follow the power",
)
COUNTS = ("keyed", "above", "zero", "stuck", "still_low", "jumps", "jumpers", "usable")

#: A day with so many readings, of which this part shows nothing reflected, while the baseline is learned:
#: then nothing is what this meter shows of a good match.
LEAST_A_DAY, NORMALLY_ZERO = 4, 0.9

#: How far below its level the better days of a baseline lie, in spreads from day to day.
BETTER_DAY_SPREADS = 2.0

#: Forward power under this part of its baseline is reduced. Where one step of the meter is more than the
#: second part of the baseline, it is more than 2 % of a quarter of that power: the amplifier's own flutter,
#: of 1 or 2 %, cannot move it then (common practice, no source).
REDUCED_SHARE, STILL_STEP_SHARE = 0.7, 0.005

OF_DRY_HOURS = ("jumps", "jumpers")


@dataclass(frozen=True)
class MeasurementSettings:
    """What makes readings suspect.

    Attributes:
        least_readings: keyed readings of two days that are needed to judge them.
        above_share: share of readings with more reflected than a total reflection gives.
        zero_share: share of usable readings with nothing reflected.
        stuck_share: share of readings flagged as stuck.
        jump_share: share of usable readings that jump against the one before.
        jump_rho: what a jump is, in rho.
        days_to_clear: days in a row without.
    """

    least_readings: int = 12
    above_share: float = 0.5
    zero_share: float = 0.98
    stuck_share: float = 0.9
    jump_share: float = 0.35
    jump_rho: float = 0.15
    days_to_clear: int = 2


@dataclass(frozen=True)
class Measurement:
    """The detector of `measurement-suspect`."""

    settings: MeasurementSettings = field(default_factory=MeasurementSettings)
    name: str = "measurement"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Counts by hour of the last hours, and the last usable rho."""
        return np.dtype([*((name, np.int32, HOURS) for name in COUNTS), ("last_rho", np.float64)])

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def slow_state(self) -> np.dtype[Any]:
        """Yesterday's counts, what is normal for this meter, clean days, and the switch."""
        return np.dtype(
            [
                *((name, np.int32) for name in COUNTS),
                ("normally_still", np.bool_),
                ("normally_zero", np.bool_),
                ("clean_days", np.int16),
                ("why", np.int8),
                ("switch", SWITCH),
            ]
        )

    def initial(self, own: Own) -> None:
        """Nothing counted."""
        own.quick["last_rho"] = np.nan

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Count the readings; judge the day, if one closed."""
        self._count(block, own)
        if block.day is None:
            return Outcome()
        return Outcome(self._judge(block, fleet, own))

    def _count(self, block: Block, own: Own) -> None:
        readings, record = block.readings, own.quick
        in_time = (readings.time_us >= block.closed_from_us) & ~block.working
        keyed = in_time & ((readings.flags & int(Flag.NOT_KEYED | Flag.LOW_FORWARD)) == 0)
        hour = (readings.time_us // HOUR_US) % HOURS
        usable = keyed & block.usable
        above = keyed & (readings.reflected_w > TOTAL_REFLECTION_RATIO * readings.forward_w)
        rows = np.flatnonzero(usable)
        jumps = np.zeros(len(readings), dtype=np.bool_)
        if len(rows):
            segments = Segments.of(readings.transmitter[rows])
            rho = block.rho[rows]
            earlier = np.empty_like(rho)
            earlier[1:] = rho[:-1]
            earlier[segments.first] = record["last_rho"][segments.owner]
            record["last_rho"][segments.owner] = rho[segments.last]
            jumps[rows] = np.abs(rho - earlier) >= self.settings.jump_rho
        stuck = keyed & ((readings.flags & int(Flag.STUCK)) != 0)
        still_low = np.zeros(len(readings), dtype=np.bool_)
        # Few are: what the others' full power is does not matter.
        still = np.flatnonzero(stuck)
        full_w = 10.0 ** (block.normal.forward_db[still] / 10.0)
        still_low[still] = readings.forward_w[still] < REDUCED_SHARE * full_w
        masks = {
            "keyed": keyed,
            "above": above,
            "zero": usable & (readings.reflected_w <= 0.0),
            "stuck": stuck,
            "still_low": still_low,
            "jumps": jumps,
            "jumpers": usable,
            "usable": usable,
        }
        # Readings of an hour follow each other, and are few beside the cells of a large fleet.
        run = Segments.of(readings.transmitter * HOURS + hour)
        of = (run.owner // HOURS, run.owner % HOURS)
        for name, mask in masks.items():
            if mask.any():
                np.add.at(record[name], of, np.add.reduceat(mask, run.first, dtype=np.int32))

    def _judge(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        day, settings, state = block.closed_day(), self.settings, block.base.state
        quick, record = own.quick, own.slow
        at = np.arange(day.end_us // HOUR_US - 24, day.end_us // HOUR_US) % HOURS
        today, both = {}, {}
        dry = ~day.wet
        for name in COUNTS:
            # Ice and rain make a ratio jump that is right.
            counted = np.where(dry, quick[name][:, at], 0) if name in OF_DRY_HOURS else quick[name][:, at]
            today[name] = counted.sum(axis=1)
            quick[name][:, at] = 0
            both[name] = today[name] + record[name]
            record[name] = today[name]
        enough = (both["keyed"] >= settings.least_readings) & (today["keyed"] > 0)
        share = {name: both[name] / np.maximum(both["keyed"], 1) for name in COUNTS}
        of_usable = np.maximum(both["usable"], 1)
        # While the baseline is learned, what stands still is how this meter is.
        record["normally_still"] |= ~state["taken"] & (today["stuck"] > 0)
        nothing = today["zero"] >= NORMALLY_ZERO * np.maximum(today["usable"], 1)
        record["normally_zero"] |= ~state["taken"] & nothing & (today["usable"] >= LEAST_A_DAY)
        was_seen = ~record["normally_zero"] & _always_seen(state, block.base.settings.smallest_spread_rho)
        judged = state["kind"] != NO_BASELINE
        why = np.zeros(len(record), dtype=np.int8)
        jump_share = both["jumps"] / np.maximum(both["jumpers"], 1)
        jumping = (jump_share >= settings.jump_share) & (one_step_rho(state, 1.0) < 0.1)
        why[enough & judged & jumping & (both["jumpers"] >= settings.least_readings)] = 4
        # At reduced power a coarse meter stands still that moved before.
        coarse = state["step_w"] > STILL_STEP_SHARE * 10.0 ** (state["forward_db"] / 10.0)
        stuck_share = share["stuck"] - np.where(coarse, share["still_low"], 0.0)
        why[enough & ~record["normally_still"] & (stuck_share >= settings.stuck_share)] = 3
        zero = (both["zero"] / of_usable >= settings.zero_share) & (both["usable"] >= settings.least_readings)
        why[enough & judged & was_seen & zero] = 2
        why[enough & (share["above"] >= settings.above_share)] = 1
        on = why > 0
        clean = (today["keyed"] > 0) & ~on
        record["clean_days"] = np.where(on, 0, record["clean_days"] + clean)
        record["why"] = np.where(on, why, record["why"])
        off = (record["clean_days"] >= settings.days_to_clear) | (day.renewed & ~on)
        record["clean_days"] = np.minimum(record["clean_days"], 10_000)

        def tell(position: int, severity: Severity) -> Finding:
            words = WHY[int(record["why"][position])]
            ended = severity is Severity.CLEARED
            return Finding(
                site=int(fleet.site_of[position]),
                transmitter=position,
                condition=Condition.MEASUREMENT_SUSPECT,
                severity=severity,
                time_us=day.told_us,
                evidence={
                    "why": words,
                    "readings": int(both["keyed"][position]),
                    "above_share": float(share["above"][position]),
                    "zero_share": float(both["zero"][position] / of_usable[position]),
                    "stuck_share": float(share["stuck"][position]),
                    "jump_share": float(jump_share[position]),
                },
                causes=() if ended else causes_of_suspect_measurement(words),
            )

        findings = follow(record["switch"], on, off, day.told_us, lambda position: Severity.MINOR, tell)
        now, was = record["switch"]["severity"] > 0, state["suspect_us"] > state["trusted_us"]
        state["suspect_us"] = np.where(now & ~was, day.told_us, state["suspect_us"])
        state["trusted_us"] = np.where(was & ~now, day.told_us, state["trusted_us"])
        return findings


def _always_seen(state: State, smallest_spread_rho: float) -> BoolArray:
    """Whether something was reflected on every day of the baseline: else nothing is what a good match shows.

    More than two steps of the meter, or the zero is only its rounding; and a step at least on its better days
    too: a line whose days lay far apart, as with ice that nobody tells, has shown less before. What a spread
    is taken for at least says nothing of its days.
    """
    apart = np.fmax(state["spread"] - smallest_spread_rho, 0.0)
    step_w = np.where(np.isfinite(state["step_w"]), state["step_w"], np.inf)
    forward_w = np.fmax(state["forward_w"], 0.0)
    better = np.fmax(state["rho"] - BETTER_DAY_SPREADS * apart, 0.0)
    result: BoolArray = (
        (state["rho"] >= 0.01)
        & (state["rho"] ** 2 * forward_w >= 2.0 * step_w)
        & (better**2 * forward_w >= step_w)
    )
    return result
