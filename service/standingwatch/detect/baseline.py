"""Each transmitter's own baseline: what its match is like when nothing is wrong.

The level of a day is the mean of the middle half of its dry hours, in rho, the reflection coefficient at the
transmitter: reflections add in rho, so a change means the same at a good match and at a poor one. From the
first hours on a provisional baseline holds; after a stated number of quiet days the full one is taken and
frozen: level, spread from day to day, and how the match moves with temperature and with rain. That
dependence is learned from the hours within each day, which a slow fault does not touch; the level of a day
whose days before it already moved is not learned from at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standingwatch.detect import channels
from standingwatch.detect.day import Day
from standingwatch.detect.history import (
    COMMISSIONED,
    DAY_US,
    FULL,
    NO_BASELINE,
    PROVISIONAL,
    adjusted,
    last_days,
    last_known,
    lower_quarter,
    middle_half,
    nan_median,
    robust_spread,
)
from standingwatch.detect.interface import BaselineChange, Maintenance, State
from standingwatch.detect.learning import learn_channels, learn_weather, weather_of
from standingwatch.detect.levels import put_hours, put_levels
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.detect.scale import attenuation, one_step_rho
from standingwatch.detect.together import far_above, lately_normal, risen_together, went_back
from standingwatch.detect.weather import DRY, HourWeather
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray

#: Spread assumed of a level as commissioned until one is learned, in rho (common practice, no source).
COMMISSIONED_SPREAD_RHO = 0.01
#: Days that lie further apart than this spread, in rho, and than one step of the meter, are those of a line
#: that something comes and goes at, ice mostly: no baseline is frozen from them, unless it has been so for so
#: many days (common practice, no source; sound lines of invented fleets: under 0.02 with fine meters).
UNSETTLED_RHO, NEVER_SETTLES_DAYS = 0.03, 42
#: Days after which the dependence on weather is taken again, by then from more kinds of weather.
TAKEN_AGAIN = (28, 56)


@dataclass(frozen=True)
class BaselineSettings:
    """How a baseline is learned.

    Attributes:
        provisional_hours: usable hours of one day after which a provisional baseline holds.
        full_days: days with a level after which the full baseline is taken and frozen.
        hours_per_day: usable hours that make a day's level, at least.
        smallest_spread_rho: no spread is taken to be smaller, in rho.
        most_drift_rho: days that drift by more than this, and by more than their noise, are not learned from.
    """

    provisional_hours: int = 6
    full_days: int = 14
    hours_per_day: int = 3
    smallest_spread_rho: float = 0.003
    most_drift_rho: float = 0.015


@dataclass
class Baselines:
    """The keeper of the baselines of a fleet, and of its days.

    Attributes:
        settings: how a baseline is learned.
        fleet: the transmitters.
        state: a record of `history.BASELINE_STATE` per transmitter.
        grace_us: how long after its end an hour closes [us]; what was learned from it holds from then on.
    """

    settings: BaselineSettings
    fleet: Fleet
    state: State
    grace_us: int

    def take_hours(
        self,
        hours: Hours,
        weather: HourWeather,
        maintenance: Maintenance,
        closed_to_us: int,
        closed_from_us: int,
    ) -> list[BaselineChange]:
        """Take in the closed hours of one day, `closed_from_us` to `closed_to_us`."""
        changes: list[BaselineChange] = []
        state = self.state
        self._take_commissioned(closed_from_us + HOUR_US, changes)
        usable = np.flatnonzero((hours.usable > 0) & ~maintenance.covers(hours.transmitter, hours.hour_us))
        day_us = closed_from_us - closed_from_us % DAY_US
        owner = hours.transmitter[usable]
        channels.give_places(hours.channel[usable], owner, state["channel"])
        taken = hours.take(usable)
        put_hours(state, taken, day_us, weather.temperature_c[usable], weather.wet[usable])
        hour = (taken.hour_us - day_us) // HOUR_US
        place = channels.place_of(taken.channel, owner, state["channel"])
        weight = taken.usable.astype(np.float64)
        with_offset = np.flatnonzero(place >= 0)
        at = (owner[with_offset], place[with_offset])
        np.add.at(state["channel_sum"], at, (weight * taken.rho_level)[with_offset])
        np.add.at(state["channel_weight"], at, weight[with_offset])
        state["hour_iced"][owner, hour] = weather.iced[usable]
        state["hour_frost"][owner, hour] = weather.frost[usable]
        np.minimum.at(state["step_w"], owner, hours.reflected_step_w[usable])
        # Last row first, so that of a transmitter's first hours the first one stays, however they are cut.
        new = np.flatnonzero(np.isnan(state["forward_w"][owner]))[::-1]
        state["forward_w"][owner[new]] = hours.forward_w[usable[new]]
        self._renew(maintenance, day_us, closed_from_us, closed_to_us, changes)
        self._take_provisional(day_us, changes)
        return changes

    def close_day(self, end_us: int, climate: State, changes: list[BaselineChange]) -> Day:
        """Make the day's levels, and learn from them; adds to `changes`.

        Args:
            end_us: end of the day [Unix microseconds].
            climate: a record of `weather.SITE_STATE` per site.
            changes: what changed about baselines so far.
        """
        state, number = self.state, end_us // DAY_US - 1
        rho, wet = state["hour_rho"], state["hour_wet"]
        smallest = self.settings.smallest_spread_rho
        far = far_above(state, self.fleet, smallest)
        level, made_from, finite = put_levels(
            state, attenuation(self.fleet), number, self.settings.hours_per_day
        )
        learn_weather(state, made_from, finite, smallest)
        calm = ~(np.isfinite(rho) & ~finite).any(axis=1)
        learn_channels(state, level, self.settings.full_days, calm)
        state["learned_days"] += np.isfinite(level)
        self._take_full(number, end_us, changes)
        self._take_weather_again(np.isfinite(level), end_us, changes)
        together = risen_together(state, self.fleet, rho, far) & ~climate["tells_temperature"]
        was_wet = (wet >= DRY) | state["hour_frost"] | together[self.fleet.site_of][:, None]
        low_rho = lower_quarter(rho)
        # Where power is lowered at night, the day's last hour says nothing of what its level was made at.
        typical_w = 10.0 ** (nan_median(state["hour_forward_db"]) / 10.0)
        state["forward_w"] = np.where(np.isfinite(typical_w), typical_w, state["forward_w"])
        for name in ("hour_rho", "hour_forward_db", "hour_temperature_c", "hour_wet"):
            state[name] = np.nan
        state["hour_iced"] = state["hour_frost"] = False
        state["hour_weight"] = 0.0
        state["day_rho"], state["day_spread"] = lately_normal(state, number), state["hour_rho_spread"]
        state["recent_rho_before"] = state["recent_rho"]
        state["recent_rho"] = nan_median(last_known(adjusted(state, number, 10), 3))
        state["last_day"] = number
        renewed = state["renewed"].copy()
        state["renewed"] = False
        return Day(
            number=number,
            end_us=end_us,
            told_us=end_us + self.grace_us,
            renewed=renewed,
            wet=was_wet,
            frost=climate["frost_today"].copy(),
            clear=climate["clear_today"].copy(),
            temperature_told=climate["tells_temperature"].copy(),
            rain_told=climate["tells_rain"].copy(),
            together=together,
            went_back=went_back(state, self.fleet, number),
            low_rho=low_rho,
            normal_rho=state["rho"].copy(),
        )

    # Learning -------------------------------------------------------------------------------------------

    def _renew(
        self,
        work: Maintenance,
        day_us: int,
        closed_from_us: int,
        closed_to_us: int,
        changes: list[BaselineChange],
    ) -> None:
        """Open a new baseline after work that may have changed the match."""
        ended = work.renews_baseline & (work.end_us < closed_to_us) & (work.end_us >= closed_from_us)
        # One after the other, as they would have been found hour by hour.
        for row in np.flatnonzero(ended)[np.argsort(work.end_us[ended], kind="stable")].tolist():
            owner, end_us = int(work.transmitter[row]), int(work.end_us[row])
            state = self.state[owner : owner + 1]
            hours_before = int((end_us - day_us) // HOUR_US + 1)
            # What the hours before the end of the work would have given by themselves, they give.
            self._take_provisional(day_us, changes, np.arange(len(self.state)) == owner, hours_before - 1)
            self._remember(np.array([owner]))
            for name in ("hour_rho", "hour_forward_db", "hour_temperature_c", "hour_wet"):
                state[name][0, :hours_before] = np.nan
            for name in (
                "raw",
                "all_hours",
                "with_ice",
                "temperature_c",
                "wet_excess",
                "power_db",
                "hour_spread",
            ):
                state[name] = np.nan
            for name in ("rho", "spread", "hour_rho_spread", "forward_db", "forward_spread_db", "recent_rho"):
                state[name] = np.nan
            state["wet_hours"] = np.nan
            state["wet_excess_normal"] = np.nan
            state["kind"] = NO_BASELINE
            state["taken"] = False
            state["reopened"] = True
            state["learned_days"] = 0
            for name in ("xx", "xy", "per_c", "per_wet", "channel_rho", "channel_days"):
                state[name] = 0.0
            # Another meter may hang there now.
            state["step_w"] = np.inf
            state["renewed"] = True
            state["opened_us"] = state["effective_us"] = end_us
            changes.append(BaselineChange(owner, end_us, "opened", np.nan, np.nan, "a visit or retune ended"))

    def _remember(self, rows: IntArray) -> None:
        """What holds now is what held before, from here on."""
        state = self.state
        for name in ("kind", "rho", "forward_db", "hour_rho_spread", "wet_excess_normal"):
            state[f"{name}_before"][rows] = state[name][rows]

    def _take_commissioned(self, end_us: int, changes: list[BaselineChange]) -> None:
        """The level that is given for a line as it was commissioned, until work opens a new baseline."""
        state, given = self.state, self.fleet.commissioned_rho
        rows = np.flatnonzero(np.isfinite(given) & (state["kind"] != COMMISSIONED) & ~state["reopened"])
        if len(rows) == 0:
            return
        spread = np.full(len(rows), COMMISSIONED_SPREAD_RHO)
        self._remember(rows)
        state["opened_us"][rows] = end_us + self.grace_us
        self._take(rows, COMMISSIONED, given[rows], spread, np.full(len(rows), end_us))
        unknown = rows[~np.isfinite(state["hour_rho_spread"][rows])]
        state["hour_rho_spread"][unknown] = COMMISSIONED_SPREAD_RHO
        changes.extend(
            self._change(position, end_us, "as-commissioned", "given in the site list")
            for position in rows.tolist()
        )

    def _take_provisional(
        self, day_us: int, changes: list[BaselineChange], which: BoolArray | None = None, hours: int = 24
    ) -> None:
        """A first baseline from the first usable hours of a day, of all transmitters or some."""
        state, needed = self.state, self.settings.provisional_hours
        known = np.isfinite(state["hour_rho"][:, :hours]).sum(axis=1)
        wanted = (state["kind"] == NO_BASELINE) & (known >= needed)
        ready = np.flatnonzero(wanted if which is None else wanted & which)
        if len(ready) == 0:
            return
        rho = state["hour_rho"][ready]
        rank = np.cumsum(np.isfinite(rho), axis=1)
        first = np.where(rank <= needed, rho, np.nan)
        forward_db = nan_median(np.where(rank <= needed, state["hour_forward_db"][ready], np.nan))
        end_us = day_us + (np.argmax(rank >= needed, axis=1) + 1) * HOUR_US
        self._take(ready, PROVISIONAL, nan_median(first), robust_spread(first), end_us)
        state["hour_rho_spread"][ready] = state["spread"][ready]
        state["forward_db"][ready] = forward_db
        state["forward_spread_db"][ready] = 0.3
        for i, position in enumerate(ready.tolist()):
            changes.append(
                self._change(position, int(end_us[i]), "provisional", f"from the first {needed} usable hours")
            )

    def _take(self, rows: IntArray, kind: int, rho: FloatArray, spread: FloatArray, end_us: IntArray) -> None:
        state = self.state
        if kind == FULL:
            self._remember(rows)
            state["opened_us"][rows] = end_us + self.grace_us
        state["kind"][rows] = kind
        state["rho"][rows] = rho
        state["spread"][rows] = np.maximum(spread, self.settings.smallest_spread_rho)
        state["effective_us"][rows] = end_us + self.grace_us

    def _change(self, position: int, time_us: int, kind: str, reason: str) -> BaselineChange:
        state = self.state[position]
        return BaselineChange(position, time_us, kind, float(state["rho"]), float(state["spread"]), reason)

    def _take_full(self, number: int, end_us: int, changes: list[BaselineChange]) -> None:
        """Take the full baseline where there are enough days that did not drift."""
        state, size = self.state, self.settings.full_days
        due = np.flatnonzero(~state["taken"] & (state["learned_days"] >= size))
        if len(due) == 0:
            return
        per_c, per_wet = weather_of(self.state, due)
        window = last_known(self._levels(due, per_c, number), size)
        half = size // 2
        # Noise from day to day is told from neighbouring days, so that a drift is not taken for noise.
        noise = robust_spread(np.diff(window, axis=1)) / np.sqrt(2.0)
        drift = np.abs(nan_median(window[:, -half:]) - nan_median(window[:, :half]))
        quiet = drift <= np.maximum(3.0 * noise, self.settings.most_drift_rho)
        settled = middle_half(window) <= np.fmax(UNSETTLED_RHO, one_step_rho(state, 1.0)[due])
        quiet &= settled | (state["learned_days"][due] >= NEVER_SETTLES_DAYS)
        rows = due[quiet]
        if len(rows) == 0:
            return
        window = window[quiet]
        state["per_c"][rows], state["per_wet"][rows] = per_c[quiet], per_wet[quiet]
        state["reference_c"][rows] = self._reference(rows, number, size)
        spread = np.maximum(robust_spread(window), noise[quiet])
        given = state["kind"][rows] == COMMISSIONED
        level = np.where(given, state["rho"][rows], nan_median(window))
        self._take(rows, FULL, level, spread, np.full(len(rows), end_us))
        state["kind"][rows[given]] = COMMISSIONED
        state["taken"][rows] = True
        recent = 2 * size
        state["hour_rho_spread"][rows] = np.fmax(
            nan_median(last_days(state["hour_spread"], number, recent)[rows]),
            self.settings.smallest_spread_rho,
        )
        power = last_known(last_days(state["power_db"], number, recent)[rows], size)
        state["forward_db"][rows] = nan_median(power)
        state["forward_spread_db"][rows] = np.fmax(robust_spread(power), 0.05)
        excess = last_days(state["wet_excess"], number, recent)[rows]
        state["wet_excess_normal"][rows] = np.fmax.reduce(excess, axis=1)
        for position, kept in zip(rows.tolist(), given.tolist(), strict=True):
            learned = f"from {size} days with data that did not drift"
            kind, reason = (
                ("as-commissioned", f"level as given, the rest {learned}") if kept else ("full", learned)
            )
            changes.append(self._change(position, end_us, kind, reason))

    def _levels(self, rows: IntArray, per_c: FloatArray, number: int) -> FloatArray:
        """Daily levels with the dependence on temperature taken off, before there is a reference."""
        days = 2 * self.settings.full_days
        raw = last_days(self.state["raw"], number, days)[rows]
        temperature = last_days(self.state["temperature_c"], number, days)[rows]
        warmer = temperature - nan_median(temperature)[:, None]
        levels: FloatArray = raw - per_c[:, None] * np.where(np.isfinite(warmer), warmer, 0.0)
        return levels

    def _reference(self, rows: IntArray, number: int, size: int) -> FloatArray:
        return nan_median(last_days(self.state["temperature_c"], number, 2 * size)[rows])

    def _take_weather_again(self, seen: BoolArray, end_us: int, changes: list[BaselineChange]) -> None:
        """More kinds of weather have been seen: take the dependence on it anew; the level stays frozen."""
        state = self.state
        due = np.flatnonzero(seen & state["taken"] & np.isin(state["learned_days"], TAKEN_AGAIN))
        if len(due) == 0:
            return
        state["per_c"][due], state["per_wet"][due] = weather_of(self.state, due)
        for position in due.tolist():
            days = int(state["learned_days"][position])
            changes.append(
                self._change(
                    position,
                    end_us,
                    "full",
                    f"dependence on weather learned from {days} days; level as before",
                )
            )
