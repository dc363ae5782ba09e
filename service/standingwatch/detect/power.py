"""`forward-power-low`: the forward power falls while the match is as it was.

An ageing amplifier loses power over weeks, a failed stage loses it at once. Operators switch the power too:
a step counts only after it has stayed for a stated number of days, and where the reports tell what power was
set, the forward power is held against that. Full power is compared with full power: the upper hours of each
day.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_low_power
from standingwatch.detect.evidence import known
from standingwatch.detect.history import FULL, adjusted, last_days, last_known, nan_median
from standingwatch.detect.interface import Block, Finding, Outcome, Own
from standingwatch.detect.switch import SWITCH, follow
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import Fleet
from standingwatch.rf import swr_from_rho


@dataclass(frozen=True)
class PowerSettings:
    """What counts as low.

    Attributes:
        smallest_fall_db: fall below which nothing is said [dB].
        spread_multiple: the same in multiples of the normal spread from day to day.
        minor_db: fall from which it is minor [dB].
        days_to_raise: days in a row.
        days_after_a_step: days in a row where it came in one step, which a switched power does too.
        days_to_clear: days in a row back.
        same_match_rho: a match that moved by less, in rho, is as it was.
    """

    smallest_fall_db: float = 1.0
    spread_multiple: float = 6.0
    minor_db: float = 1.5
    days_to_raise: int = 4
    days_after_a_step: int = 14
    days_to_clear: int = 3
    same_match_rho: float = 0.06


@dataclass(frozen=True)
class Power:
    """The detector of `forward-power-low`."""

    settings: PowerSettings = field(default_factory=PowerSettings)
    name: str = "power"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Nothing changes with each reading."""
        return np.dtype([])

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def slow_state(self) -> np.dtype[Any]:
        """The switch."""
        return np.dtype([("switch", SWITCH)])

    def initial(self, own: Own) -> None:
        """No power is low."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge the day, if one closed."""
        day, settings, state = block.day, self.settings, block.base.state
        if day is None:
            return Outcome()
        power = last_days(state["power_db"], day.number, 40)
        fall = state["forward_db"][:, None] - power
        wanted = np.fmax(settings.smallest_fall_db, settings.spread_multiple * state["forward_spread_db"])
        long = last_known(fall, settings.days_after_a_step)
        few = long[:, -settings.days_to_raise :]
        now = nan_median(few)
        low_few = np.isfinite(few).all(axis=1) & (few >= wanted[:, None]).all(axis=1)
        low_long = np.isfinite(long).all(axis=1) & (long >= wanted[:, None]).all(axis=1)
        # The largest fall between two neighbouring days against the whole.
        filled = last_known(fall, fall.shape[1])
        filled = np.where(np.isfinite(filled), filled, 0.0)
        jump = (filled[:, 1:] - filled[:, :-1]).max(axis=1)
        abrupt = jump >= 0.5 * np.maximum(now, 1e-9)
        # Power that falls because the SWR is high is folded back, and told as that.
        level = nan_median(last_known(adjusted(state, day.number, 14), 3))
        swr = swr_from_rho(np.clip(np.where(np.isfinite(level), level, 0.0), 0.0, 1.0))
        folding = swr >= 0.85 * np.where(np.isfinite(fleet.foldback_swr), fleet.foldback_swr, np.inf)
        folding |= level - state["rho"] >= np.fmax(settings.same_match_rho, 6.0 * state["spread"])
        # Without a level of the match today, it cannot be said that it is as it was.
        today = np.isfinite(power[:, -1]) & np.isfinite(last_days(state["raw"], day.number, 1)[:, 0])
        on = today & (state["kind"] >= FULL) & ~folding & np.where(abrupt, low_long, low_few)
        back = last_known(fall, settings.days_to_clear)
        off = today & np.isfinite(back).all(axis=1) & (back < 0.5 * wanted[:, None]).all(axis=1)
        off |= day.renewed

        def grade(position: int) -> Severity:
            return Severity.MINOR if now[position] >= settings.minor_db else Severity.WARNING

        def tell(position: int, severity: Severity) -> Finding:
            ended = severity is Severity.CLEARED
            return Finding(
                site=int(fleet.site_of[position]),
                transmitter=position,
                condition=Condition.FORWARD_POWER_LOW,
                severity=severity,
                time_us=day.told_us,
                evidence={
                    "forward_w": known(10.0 ** (float(power[position, -1]) / 10.0)),
                    "baseline_forward_w": known(10.0 ** (float(state["forward_db"][position]) / 10.0)),
                    "change_db": known(-now[position]),
                    "limit_change_db": known(-wanted[position]),
                    "swr": known(swr[position]),
                    "abrupt": bool(abrupt[position]),
                },
                causes=() if ended else causes_of_low_power(float(now[position]), bool(abrupt[position])),
            )

        return Outcome(follow(own.slow["switch"], on, off, day.told_us, grade, tell))
