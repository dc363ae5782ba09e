"""`swr-weather`: the match suffers from rain more than it used to, or from ice.

Ice comes at or below freezing with precipitation and goes with the thaw: it is told while it matters and
needs no visit. A line that lets water in rises further with each rain than its baseline did; that is told
when several wet spells in the last weeks have shown it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.evidence import known
from standingwatch.detect.history import FULL, adjusted, last_days, last_known
from standingwatch.detect.interface import Block, Finding, LikelyCause, Outcome, Own
from standingwatch.detect.normal import normal_at
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.scale import attenuation, known_loss_db, one_step_rho
from standingwatch.detect.switch import SWITCH, follow
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray
from standingwatch.rf import return_loss_db_from_rho, rho_at_antenna, swr_from_rho


@dataclass(frozen=True)
class WetSettings:
    """What counts as suffering from the weather.

    Attributes:
        smallest_excess_rho: growth of the rise with rain, at the antenna end, below which nothing is said.
        spread_multiple: the same in multiples of the normal spread of hourly levels.
        days: days that are looked back on.
        wet_days_to_raise: wet days with such a growth, of the last five.
        floor_swr: SWR at the antenna end in the wet under which nothing is said (common practice, no source).
        ice_swr: SWR at the antenna end from which ice is told.
        days_to_clear: days without such a wet day.
    """

    smallest_excess_rho: float = 0.08
    spread_multiple: float = 6.0
    days: int = 45
    wet_days_to_raise: int = 4
    floor_swr: float = 1.5
    ice_swr: float = 1.8
    days_to_clear: int = 30


@dataclass(frozen=True)
class Wet:
    """The detector of `swr-weather`."""

    settings: WetSettings = field(default_factory=WetSettings)
    name: str = "wet"

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
        """The switch of rain, whether ice is told, and its hours in a row."""
        return np.dtype([("switch", SWITCH), ("ice", np.bool_), ("ice_hours", np.int16)])

    def initial(self, own: Own) -> None:
        """Nothing told."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge closed hours for ice, and the day for rain."""
        findings = self._ice(block, fleet, own) if len(block.hours) else []
        if block.day is not None:
            findings += self._rain(block, fleet, own)
        return Outcome(findings)

    def _ice(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        """Ice: two hours in a row high while it is iced; over with the first usable hour after the thaw."""
        hours, record = block.hours, own.slow
        state = block.base.state
        owner = hours.transmitter
        # As it was known when each hour closed.
        closed_us = hours.hour_us + HOUR_US + block.base.grace_us
        none = np.zeros(len(hours), dtype=np.int64)
        then = normal_at(state, owner, closed_us, none, block.base.grace_us, block.maintenance)
        colder = block.weather.temperature_c - block.reference_c[owner]
        normal = then.rho + np.nan_to_num(block.per_c[owner] * colder)
        trust = np.where(then.kind >= FULL, 1.0, 2.0)
        at_antenna = np.fmin(rho_at_antenna(np.fmin(hours.rho_median, 1.0), known_loss_db(fleet)[owner]), 1.0)
        swr = swr_from_rho(np.where(np.isfinite(at_antenna), at_antenna, 0.0))
        usable = hours.usable > 0
        rise = hours.rho_median - normal >= trust * np.fmax(
            self.settings.smallest_excess_rho * attenuation(fleet)[owner],
            self.settings.spread_multiple * then.hour_spread,
        ) + np.fmax(1.5 * np.nan_to_num(then.wet_excess), hours.reflected_step_rho(normal, 1.1))
        high = usable & block.weather.iced & rise & (swr >= self.settings.ice_swr)
        # Also those of whom only this block tells ice: its end may lie in the same block.
        concerned = record["ice"] | (record["ice_hours"] > 0)
        concerned[owner[high]] = True
        matters = np.flatnonzero(usable & concerned[owner])
        findings = []
        for row in matters.tolist():
            position = int(owner[row])
            one = record[position : position + 1]
            one["ice_hours"] = one["ice_hours"] + 1 if high[row] else 0
            was = bool(one["ice"][0])
            now = (was and bool(block.weather.iced[row]) and bool(rise[row])) or int(one["ice_hours"][0]) >= 2
            if now == was:
                continue
            one["ice"] = now
            if int(one["switch"]["severity"][0]):
                # What rain has raised stands; ice adds nothing to it.
                continue
            findings.append(
                Finding(
                    site=int(fleet.site_of[position]),
                    transmitter=position,
                    condition=Condition.SWR_WEATHER,
                    severity=Severity.WARNING if now else Severity.CLEARED,
                    time_us=int(closed_us[row]),
                    evidence={
                        "swr": float(swr_from_rho(min(float(hours.rho_median[row]), 1.0))),
                        "swr_at_antenna": float(swr[row]),
                        "baseline_swr": known(swr_from_rho(min(float(normal[row]), 1.0))),
                        "temperature_c": known(block.weather.temperature_c[row]),
                        "return_loss_db": known(return_loss_db_from_rho(float(hours.rho_median[row]))),
                        "why": "iced" if now else "thawed, or back at its baseline",
                    },
                    causes=(
                        LikelyCause(
                            Cause.ICE,
                            0.8,
                            "it froze with precipitation and the SWR rose with it: ice goes with the thaw",
                        ),
                    )
                    if now
                    else (),
                )
            )
        return findings

    def _rain(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        """Rain: several of the last wet days rose further above the dry level than any in the baseline."""
        day, settings, state = block.closed_day(), self.settings, block.base.state
        excess = last_days(state["wet_excess"], day.number, settings.days)
        last = last_known(excess, 5)
        normal = np.fmax(
            np.where(np.isfinite(state["wet_excess_normal"]), state["wet_excess_normal"], 0.0), 0.0
        )
        wanted = np.fmax(
            settings.smallest_excess_rho * attenuation(fleet),
            settings.spread_multiple * state["hour_rho_spread"],
        ) + one_step_rho(state, 1.1)
        grown = last >= (1.5 * normal + wanted)[:, None]
        dry_level = last_known(adjusted(state, day.number, 14), 3)
        level = np.fmin(dry_level[:, -1] + last[:, -1], 1.0)
        at_antenna = np.fmin(rho_at_antenna(np.fmax(level, 0.0), known_loss_db(fleet)), 1.0)
        swr = swr_from_rho(np.where(np.isfinite(at_antenna), at_antenna, 0.0))
        wet_today = np.isfinite(excess[:, -1])
        on = (
            wet_today
            & (state["kind"] >= FULL)
            # Without a wet day in the baseline there is nothing to compare a wet day with.
            & np.isfinite(state["wet_excess_normal"])
            & (grown.sum(axis=1) >= settings.wet_days_to_raise)
            & (swr >= settings.floor_swr)
        )
        none_lately = ~(
            last_days(state["wet_excess"], day.number, settings.days_to_clear)
            >= (normal + 0.5 * wanted)[:, None]
        ).any(axis=1)
        off = none_lately | day.renewed
        warm: BoolArray = np.any(np.isfinite(last_days(state["temperature_c"], day.number, 14)), axis=1)
        return follow(
            own.slow["switch"],
            on,
            off,
            day.told_us,
            # Where no temperature is told, what looks like rain may be ice.
            lambda position: Severity.MINOR if warm[position] else Severity.WARNING,
            lambda position, severity: self._told(block, fleet, last, normal, swr, position, severity),
        )

    @staticmethod
    def _told(
        block: Block,
        fleet: Fleet,
        last: FloatArray,
        normal: FloatArray,
        swr: FloatArray,
        position: int,
        severity: Severity,
    ) -> Finding:
        ended = severity is Severity.CLEARED
        excess = float(last[position, -1])
        words = (
            f"in the wet rho rises by {excess:.3f} above the dry level, by {normal[position]:.3f} at most "
            "when the baseline was taken"
        )
        return Finding(
            site=int(fleet.site_of[position]),
            transmitter=position,
            condition=Condition.SWR_WEATHER,
            severity=severity,
            time_us=block.closed_day().told_us,
            evidence={
                "swr_at_antenna": float(swr[position]),
                "wet_excess_rho": known(excess),
                "baseline_wet_excess_rho": float(normal[position]),
                "baseline_swr": known(swr_from_rho(min(float(block.base.state["rho"][position]), 1.0))),
            },
            causes=()
            if ended
            else (
                LikelyCause(Cause.WATER, 0.7, f"{words}: water finds its way in"),
                LikelyCause(
                    Cause.CONNECTOR, 0.15, f"{words}; against it: corrosion alone takes no note of rain"
                ),
            ),
        )
