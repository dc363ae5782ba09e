"""How every transmitter stands just now, as columns; kept between requests and brought up to date with what
is new.

A page of the board needs the whole fleet to say which sites are the worst, but nothing of it has to be read
again
that has not changed: readings are followed by arrival (`store/newest.py`), baselines by how many there are,
hours of those that are silent when one was closed, alarms by the number of their last change.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Connection, func, select

from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings import IntArray
from standingwatch.readings.flags import Flag
from standingwatch.readings.fleet import BoolArray, FloatArray
from standingwatch.readings.plausible import unit_doubts
from standingwatch.rf import is_passive, return_loss_db_from_rho, rho_at_antenna, rho_from_power, swr_from_rho
from standingwatch.store import tables
from standingwatch.store.alarming import StandingAlarm, standing_alarms
from standingwatch.store.board import RECENT_US, closed_until_us, last_hours
from standingwatch.store.newest import Newest
from standingwatch.store.watching import present_baselines

if TYPE_CHECKING:
    from standingwatch.web.roster import Roster

#: A report is marked as late after so many of its intervals; whether that is an alarm the watch decides.
LATE_INTERVALS = 3

#: Hours of silent transmitters are looked at again after this time, for those that came late [us].
HOURS_HOLD_US = 60_000_000

#: So many transmitters are asked for in one statement: databases take only so many values.
_KEYS_A_QUERY = 5_000


@dataclass(frozen=True, eq=False)
class FleetNow:
    """How each transmitter stands, an array element each, in the order of the fleet. NaN: not known.

    Attributes:
        roster: the transmitters.
        now_us: when [Unix microseconds].
        report_us, match_us: time of the newest report, and of the newest reading that says something about
            the
            match [Unix microseconds], 0 for none.
        report_in_hour, match_in_hour: it is known only that the time lies in the hour from there.
        flags, foldback: of the newest report, -1 where not known.
        rho: of the newest reading of the match (of an hour its median) at the transmitter; 1 for total
            reflection.
        forward_w: of that reading [W].
        report_forward_w, report_reflected_w: of the newest report [W], NaN where it is older than an hour.
        baseline_rho: NaN for none.
        baseline_kind: "" for none.
    """

    roster: Roster
    now_us: int
    report_us: IntArray
    report_in_hour: BoolArray
    match_us: IntArray
    match_in_hour: BoolArray
    flags: IntArray
    foldback: IntArray
    rho: FloatArray
    forward_w: FloatArray
    report_forward_w: FloatArray
    report_reflected_w: FloatArray
    baseline_rho: FloatArray
    baseline_kind: tuple[str, ...]

    @cached_property
    def swr(self) -> FloatArray:
        """SWR at the transmitter [1]."""
        return swr_from_rho(self.rho)

    @cached_property
    def baseline_swr(self) -> FloatArray:
        """SWR of the baseline [1]."""
        return swr_from_rho(self.baseline_rho)

    @cached_property
    def swr_at_antenna(self) -> FloatArray:
        """SWR at the antenna [1]."""
        antenna = rho_at_antenna(self.rho, self.roster.fleet.feeder_loss_db)
        # Above 1 the feeder loss on the site list does not fit the reading: better nothing than wrong.
        return swr_from_rho(np.where(is_passive(antenna), antenna, np.nan))

    @cached_property
    def return_loss_db(self) -> FloatArray:
        """Return loss at the transmitter [dB]."""
        return return_loss_db_from_rho(self.rho)

    @cached_property
    def is_late(self) -> BoolArray:
        """Whether the newest report is overdue; true where there was none at all."""
        interval_us = 1e6 * self.roster.fleet.expected_interval_s
        late_us = self.now_us - LATE_INTERVALS * interval_us - HOUR_US * self.report_in_hour
        late: BoolArray = self.report_us < late_us
        return late

    @cached_property
    def is_unkeyed(self) -> BoolArray:
        """Whether the newest report says that the transmitter is not keyed."""
        said: BoolArray = (self.flags >= 0) & ((self.flags & int(Flag.NOT_KEYED)) != 0) & ~self.report_in_hour
        return said

    @cached_property
    def has_no_baseline(self) -> BoolArray:
        """Whether the baseline is still being learned."""
        return np.isnan(self.baseline_rho)

    @cached_property
    def unit_doubts(self) -> IntArray:
        """What the newest report makes one ask about its unit, a `UnitDoubt` each."""
        return unit_doubts(
            self.roster.fleet.rated_power_w,
            self.report_forward_w,
            self.report_reflected_w,
            (self.flags >= 0) & ~self.is_unkeyed,
            self.baseline_rho,
        )

    @cached_property
    def heard(self) -> BoolArray:
        """Whether it was heard in the last hour."""
        heard: BoolArray = self.report_us > self.now_us - HOUR_US
        return heard

    def state(self, position: int) -> str:
        """What the newest report says of a transmitter, in words."""
        if self.report_in_hour[position]:
            return "unknown"
        if self.is_unkeyed[position]:
            return "not keyed"
        return "folded back" if self.foldback[position] == 1 else "keyed"


class _Hours:
    """The last hour of each transmitter that is silent, for as long as that holds."""

    def __init__(self, count: int, *, of_the_match: bool) -> None:
        self._of_the_match = of_the_match
        self._asked = np.full(count, -1, dtype=np.int64)
        self._closed_us = -1
        self.hour_us = np.zeros(count, dtype=np.int64)
        self.rho = np.full(count, np.nan)
        self.forward_w = np.full(count, np.nan)

    def learn(
        self, connection: Connection, keys: IntArray, silent: BoolArray, closed_us: int, now_us: int
    ) -> None:
        """Know the last hour of the silent ones."""
        if closed_us != self._closed_us:
            self._asked[:] = -1
            self._closed_us = closed_us
        old = (self._asked < 0) | (np.abs(now_us - self._asked) > HOURS_HOLD_US)
        wanted = np.flatnonzero(silent & old)
        for begin in range(0, len(wanted), _KEYS_A_QUERY):
            part = wanted[begin : begin + _KEYS_A_QUERY]
            found = last_hours(connection, keys[part].tolist(), of_the_match=self._of_the_match)
            found = found.reindex(keys[part])
            self.hour_us[part] = found["hour_us"].fillna(0).to_numpy(dtype=np.float64).astype(np.int64)
            self.rho[part] = found["rho_median"].to_numpy(dtype=np.float64)
            self.forward_w[part] = found["forward_w"].to_numpy(dtype=np.float64)
            self._asked[part] = now_us


class FleetCache:
    """What `FleetNow` is made of, and the standing alarms: read anew only where they have changed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._roster: Roster | None = None
        self._newest: Newest
        self._report_hours: _Hours
        self._match_hours: _Hours
        self._baseline_mark: tuple[Any, ...] = ()
        self._baseline_rho: FloatArray
        self._baseline_kind: tuple[str, ...] = ()
        self._alarm_mark: tuple[Any, ...] = ()
        self._alarms: list[StandingAlarm] = []

    def now(self, connection: Connection, roster: Roster, now_us: int) -> FleetNow:
        """How the fleet stands.

        Args:
            connection: one reading transaction.
            roster: the site list as the transaction sees it.
            now_us: now [Unix microseconds].
        """
        with self._lock:
            keys = roster.fleet.key
            if self._roster is not roster:
                self._roster, self._baseline_mark = roster, ()
                self._newest = Newest(keys)
                self._report_hours = _Hours(len(keys), of_the_match=False)
                self._match_hours = _Hours(len(keys), of_the_match=True)
            self._newest.follow(connection, now_us)
            self._follow_baselines(connection, keys)
            report, match = self._newest.report, self._newest.match
            unheard = report.time_us < now_us - RECENT_US
            unmatched = match.time_us < now_us - RECENT_US
            closed_us = closed_until_us(connection)
            self._report_hours.learn(connection, keys, unheard, closed_us, now_us)
            self._match_hours.learn(connection, keys, unmatched, closed_us, now_us)
            rho = np.minimum(rho_from_power(match.forward_w, match.reflected_w), 1.0)
            return FleetNow(
                roster=roster,
                now_us=now_us,
                report_us=np.where(unheard, self._report_hours.hour_us, report.time_us),
                report_in_hour=unheard,
                match_us=np.where(unmatched, self._match_hours.hour_us, match.time_us),
                match_in_hour=unmatched,
                flags=np.where(unheard, -1, report.flags),
                foldback=np.where(unheard, -1, report.foldback),
                rho=np.where(unmatched, self._match_hours.rho, rho),
                forward_w=np.where(unmatched, self._match_hours.forward_w, match.forward_w),
                report_forward_w=np.where(unheard, np.nan, report.forward_w),
                report_reflected_w=np.where(unheard, np.nan, report.reflected_w),
                baseline_rho=self._baseline_rho,
                baseline_kind=self._baseline_kind,
            )

    def standing(self, connection: Connection) -> list[StandingAlarm]:
        """The standing alarms, gravest first, then the newest."""
        changes, alarms = tables.alarm_changes.c, tables.alarms.c
        newest = connection.execute(select(func.max(changes.id))).scalar_one()
        count = select(func.count()).select_from(tables.alarms).where(alarms.is_cleared.is_(False))
        mark = (newest, connection.execute(count).scalar_one())
        with self._lock:
            if mark == self._alarm_mark:
                return self._alarms
        found = standing_alarms(connection)
        with self._lock:
            self._alarm_mark, self._alarms = mark, found
        return found

    def _follow_baselines(self, connection: Connection, keys: IntArray) -> None:
        columns = tables.baselines.c
        # Each new baseline is a new row.
        mark = tuple(connection.execute(select(func.count(), func.max(columns.time_us))).one())
        if mark == self._baseline_mark:
            return
        present = present_baselines(connection)
        known = [present.get(key) for key in keys.tolist()]
        self._baseline_rho = np.array(
            [np.nan if b is None or b.rho is None else b.rho for b in known], dtype=np.float64
        )
        self._baseline_kind = tuple("" if b is None else b.kind for b in known)
        self._baseline_mark = mark
