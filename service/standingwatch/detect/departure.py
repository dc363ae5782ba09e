"""`swr-rising`: a transmitter's daily level of the match leaves its own baseline and stays away.

The level of a day is the median of its hourly medians of rho, the reflection coefficient at the transmitter:
new reflections add to rho, so a change in rho means the same at a good match and at a poor one, which a
change in decibels does not. The baseline is the level and robust spread over a stated number of days, then
frozen. A departure counts only where it exceeds the normal spread, the meter's own step and a smallest
change, and where the SWR at the antenna end is one that matters at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_departure
from standingwatch.detect.interface import BaselineChange, Block, Finding, Outcome, State
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import Fleet, FloatArray, IntArray
from standingwatch.rf import return_loss_db_from_rho, rho_at_antenna, swr_from_rho

DAY_US = 24 * HOUR_US

#: Makes the median absolute deviation the standard deviation of a normal distribution (NIST/SEMATECH
#: e-Handbook of Statistical Methods, 1.3.5.17.1 and 1.3.5.6).
MAD_TO_SIGMA = 1.4826

NO_BASELINE, PROVISIONAL, FULL = 0, 1, 2


@dataclass(frozen=True)
class DepartureSettings:
    """How a baseline is learned and what counts as leaving it.

    Attributes:
        provisional_hours: usable hours after which a provisional baseline holds.
        full_days: days with data after which the full baseline is taken and frozen.
        hours_per_day: usable hours that make a day's level, at least.
        spread_multiple: departure in multiples of the daily level's spread (twice that while provisional).
        smallest_change_rho: departure below which nothing is said, in rho.
        smallest_spread_rho: no spread is taken to be smaller, in rho.
        floor_swr: SWR at the antenna end under which nothing is said (common practice, no source).
        minor_swr: SWR at the antenna end from which a departure is minor and not only a warning.
        days_to_raise: days in a row away.
        days_to_clear: days in a row back.
    """

    provisional_hours: int = 6
    full_days: int = 14
    hours_per_day: int = 3
    spread_multiple: float = 4.0
    smallest_change_rho: float = 0.03
    smallest_spread_rho: float = 0.004
    floor_swr: float = 1.3
    minor_swr: float = 1.5
    days_to_raise: int = 3
    days_to_clear: int = 3


@dataclass(frozen=True)
class Departure:
    """The detector of `swr-rising`, and the keeper of the baseline."""

    settings: DepartureSettings = field(default_factory=DepartureSettings)
    name: str = "departure"

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def transmitter_state(self) -> np.dtype[Any]:
        """Today's hourly levels, the days learned so far, the baseline, and the runs of days."""
        return np.dtype(
            [
                ("hours", np.float64, 24),
                ("days", np.float64, self.settings.full_days),
                ("days_known", np.int32),
                ("step_w", np.float64),
                ("forward_w", np.float64),
                ("kind", np.int8),
                ("rho", np.float64),
                ("spread", np.float64),
                ("away", np.int32, 2),
                ("back", np.int32, 2),
                ("on", np.bool_, 2),
                ("level", np.float64),
            ]
        )

    def initial(self, transmitters: State, sites: State) -> None:
        """Nothing known."""
        for name in ("hours", "days", "rho", "spread", "level", "forward_w"):
            transmitters[name] = np.nan
        transmitters["step_w"] = np.inf

    def step(self, block: Block, fleet: Fleet, transmitters: State, sites: State) -> Outcome:
        """Take the closed hours in; judge each day that they complete."""
        outcome = Outcome()
        hours = block.hours
        day_of_row = hours.hour_us - hours.hour_us % DAY_US
        first_day = block.closed_from_us - block.closed_from_us % DAY_US
        usable = (hours.usable > 0) & ~block.maintenance.covers(hours.transmitter, hours.hour_us)
        for day_us in range(first_day, block.closed_to_us, DAY_US):
            begin, end = np.searchsorted(day_of_row, [day_us, day_us + DAY_US])
            rows = np.arange(begin, end)[usable[begin:end]]
            owner = hours.transmitter[rows]
            hour = (hours.hour_us[rows] - day_us) // HOUR_US
            transmitters["hours"][owner, hour] = hours.rho_median[rows]
            np.minimum.at(transmitters["step_w"], owner, hours.reflected_step_w[rows])
            transmitters["forward_w"][owner] = hours.forward_w[rows]
            self._renew(block, day_us, transmitters, outcome)
            self._take_provisional(hours.hour_us[rows], owner, transmitters, outcome)
            if day_us + DAY_US <= block.closed_to_us:
                self._close_day(day_us + DAY_US, fleet, transmitters, outcome)
        return outcome

    def _renew(self, block: Block, day_us: int, transmitters: State, outcome: Outcome) -> None:
        """Open a new baseline after work that may have changed the match."""
        work = block.maintenance
        closing = np.minimum(day_us + DAY_US, block.closed_to_us)
        ended = (
            work.renews_baseline
            & (work.end_us < closing)
            & (work.end_us >= max(day_us, block.closed_from_us))
        )
        for owner in np.unique(work.transmitter[ended]).tolist():
            end_us = int(work.end_us[ended & (work.transmitter == owner)].max())
            state = transmitters[owner : owner + 1]
            hours_before = int(max(0, (end_us - day_us) // HOUR_US + 1))
            state["hours"][0, :hours_before] = np.nan
            state["days"] = np.nan
            state["days_known"] = 0
            state["kind"] = NO_BASELINE
            state["rho"] = state["spread"] = np.nan
            state["away"] = 0
            outcome.baselines.append(
                BaselineChange(owner, end_us, "opened", np.nan, np.nan, "a visit or retune ended")
            )

    def _take_provisional(
        self, hour_us: IntArray, owner: IntArray, transmitters: State, outcome: Outcome
    ) -> None:
        """A first baseline from the first usable hours."""
        needed = self.settings.provisional_hours
        known = np.isfinite(transmitters["hours"]).sum(axis=1)
        ready = np.flatnonzero((transmitters["kind"] == NO_BASELINE) & (known >= needed))
        if len(ready) == 0:
            return
        levels = transmitters["hours"][ready]
        # The first hours only, however many have come with this block.
        rank = np.cumsum(np.isfinite(levels), axis=1)
        levels = np.where(rank <= needed, levels, np.nan)
        reached = np.argmax(rank >= needed, axis=1)
        transmitters["rho"][ready] = np.nanmedian(levels, axis=1)
        transmitters["spread"][ready] = self._spread(levels)
        transmitters["kind"][ready] = PROVISIONAL
        day_us = int(hour_us[-1] - hour_us[-1] % DAY_US) if len(hour_us) else 0
        for i, position in enumerate(ready.tolist()):
            outcome.baselines.append(
                BaselineChange(
                    position,
                    day_us + (int(reached[i]) + 1) * HOUR_US,
                    "provisional",
                    float(transmitters["rho"][position]),
                    float(transmitters["spread"][position]),
                    f"from the first {needed} usable hours",
                )
            )

    def _spread(self, levels: FloatArray) -> FloatArray:
        """Robust standard deviation along the last axis, NaN left out, not below the smallest."""
        middle = np.nanmedian(levels, axis=1, keepdims=True)
        spread = MAD_TO_SIGMA * np.nanmedian(np.abs(levels - middle), axis=1)
        return np.maximum(spread, self.settings.smallest_spread_rho)

    def _close_day(self, end_us: int, fleet: Fleet, transmitters: State, outcome: Outcome) -> None:
        """Judge the day that ended, then learn from it."""
        enough = np.isfinite(transmitters["hours"]).sum(axis=1) >= self.settings.hours_per_day
        seen = np.flatnonzero(enough)
        level = np.full(len(transmitters), np.nan)
        if len(seen):
            level[seen] = np.nanmedian(transmitters["hours"][seen], axis=1)
        transmitters["hours"] = np.nan
        transmitters["level"] = level
        self._judge(end_us, fleet, transmitters, level, outcome)
        self._learn(end_us, transmitters, level, outcome)

    def threshold_rho(self, transmitters: State) -> FloatArray:
        """Departure in rho that counts, per transmitter."""
        settings = self.settings
        multiple = np.where(
            transmitters["kind"] == FULL, settings.spread_multiple, 2 * settings.spread_multiple
        )
        # One step of the meter at this level and power: less cannot be told from its rounding.
        forward_w = np.fmax(transmitters["forward_w"], 1e-3)
        step_w = np.where(np.isfinite(transmitters["step_w"]), transmitters["step_w"], 0.0)
        reflected_w = forward_w * transmitters["rho"] ** 2
        one_step = np.sqrt((reflected_w + step_w) / forward_w) - transmitters["rho"]
        threshold: FloatArray = np.fmax(
            np.fmax(multiple * transmitters["spread"], settings.smallest_change_rho), 1.05 * one_step
        )
        return threshold

    def _judge(
        self, end_us: int, fleet: Fleet, transmitters: State, level: FloatArray, outcome: Outcome
    ) -> None:
        settings = self.settings
        change = level - transmitters["rho"]
        threshold = self.threshold_rho(transmitters)
        loss_db = np.where(np.isfinite(fleet.feeder_loss_db), fleet.feeder_loss_db, 0.0)
        swr_at_antenna = swr_from_rho(np.minimum(rho_at_antenna(level, loss_db), 1.0))
        away = (change >= threshold) & (swr_at_antenna >= settings.floor_swr)
        far = away & (swr_at_antenna >= settings.minor_swr) & (change >= 1.5 * threshold)
        known = np.isfinite(change)
        before = transmitters["on"].copy()
        for grade, (out, half) in enumerate(((away, 0.5), (far, 0.75))):
            back = known & (change < half * threshold)
            transmitters["away"][:, grade] = np.where(
                known, np.where(out, transmitters["away"][:, grade] + 1, 0), transmitters["away"][:, grade]
            )
            transmitters["back"][:, grade] = np.where(
                known, np.where(back, transmitters["back"][:, grade] + 1, 0), transmitters["back"][:, grade]
            )
            on = transmitters["on"][:, grade] | (transmitters["away"][:, grade] >= settings.days_to_raise)
            transmitters["on"][:, grade] = on & (transmitters["back"][:, grade] < settings.days_to_clear)
        grade_before, grade_now = before.sum(axis=1), transmitters["on"].sum(axis=1)
        for position in np.flatnonzero(grade_before != grade_now).tolist():
            outcome.findings.append(
                self._finding(
                    end_us, fleet, transmitters, position, float(swr_at_antenna[position]), threshold
                )
            )

    def _finding(
        self,
        end_us: int,
        fleet: Fleet,
        transmitters: State,
        position: int,
        swr_at_antenna: float,
        threshold: FloatArray,
    ) -> Finding:
        state = transmitters[position]
        rho, level = float(state["rho"]), float(state["level"])
        severity = (Severity.CLEARED, Severity.WARNING, Severity.MINOR)[int(state["on"].sum())]
        days = int(state["away"][0])
        return Finding(
            site=int(fleet.site_of[position]),
            transmitter=position,
            condition=Condition.SWR_RISING,
            severity=severity,
            time_us=end_us,
            evidence={
                "swr": float(swr_from_rho(level)),
                "swr_at_antenna": swr_at_antenna,
                "feeder_loss_known": bool(np.isfinite(fleet.feeder_loss_db[position])),
                "return_loss_db": float(return_loss_db_from_rho(level)),
                "baseline_return_loss_db": float(return_loss_db_from_rho(rho)),
                "baseline_swr": float(swr_from_rho(rho)),
                "baseline_kind": ("none", "provisional", "full")[int(state["kind"])],
                "change_rho": level - rho,
                "limit_change_rho": float(threshold[position]),
                "spread_rho": float(state["spread"]),
                "days_away": days,
            },
            causes=causes_of_departure(level - rho, days) if severity != Severity.CLEARED else (),
        )

    def _learn(self, end_us: int, transmitters: State, level: FloatArray, outcome: Outcome) -> None:
        """Add the day to the days learned; take the full baseline when there are enough, and quiet ones."""
        size = self.settings.full_days
        learning = np.flatnonzero((transmitters["kind"] != FULL) & np.isfinite(level))
        if len(learning) == 0:
            return
        days = transmitters["days"][learning]
        known = transmitters["days_known"][learning]
        full = known == size
        days[full, :-1] = days[full, 1:]
        slot = np.minimum(known, size - 1)
        days[np.arange(len(learning)), slot] = level[learning]
        transmitters["days"][learning] = days
        transmitters["days_known"][learning] = np.minimum(known + 1, size)
        complete = learning[transmitters["days_known"][learning] == size]
        if len(complete) == 0:
            return
        window = transmitters["days"][complete]
        spread = self._spread(window)
        half = size // 2
        drift = np.median(window[:, -half:], axis=1) - np.median(window[:, :half], axis=1)
        allowed = np.maximum(3 * spread, self.settings.smallest_change_rho)
        # A line that is already moving is not taken for normal: the provisional baseline goes on.
        quiet = (np.abs(drift) <= allowed) & ~transmitters["on"][complete, 0]
        for i in np.flatnonzero(quiet).tolist():
            position = int(complete[i])
            transmitters["rho"][position] = np.median(window[i])
            transmitters["spread"][position] = spread[i]
            transmitters["kind"][position] = FULL
            outcome.baselines.append(
                BaselineChange(
                    position,
                    end_us,
                    "full",
                    float(transmitters["rho"][position]),
                    float(transmitters["spread"][position]),
                    f"from {size} days with data that did not drift",
                )
            )
