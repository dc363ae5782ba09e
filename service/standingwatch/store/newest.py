"""The newest reading of each transmitter, followed from arrival to arrival instead of searched for again.

Over 10,000 transmitters an hour of readings is too much to read for every page. What arrives between two
pages is little, and what a page needs of it are two readings a transmitter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, select

from standingwatch.detect.limits import TOTAL_REFLECTION_RATIO
from standingwatch.readings import FloatArray, IntArray
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.readings.fleet import BoolArray
from standingwatch.store import tables
from standingwatch.store.board import AHEAD_US, RECENT_US, newest_readings
from standingwatch.store.reports import last_arrival

#: After a pause longer than this the last hour is read anew: what arrived in between may be more than that.
LONGEST_PAUSE_US = RECENT_US // 2

#: A clock that is so far behind has been set back: what is ahead of it now is no longer the newest.
BEHIND_US = 60_000_000

_COLUMNS = ("transmitter", "time_us", "flags", "forward_w", "reflected_w", "foldback")


@dataclass(frozen=True, eq=False)
class Rows:
    """Readings as columns; `position` is that of the transmitter in the fleet."""

    position: IntArray
    time_us: IntArray
    flags: IntArray
    forward_w: FloatArray
    reflected_w: FloatArray
    foldback: IntArray

    def __len__(self) -> int:
        return len(self.position)

    def take(self, which: BoolArray | IntArray) -> Rows:
        """Some of them."""
        return Rows(*(getattr(self, name)[which] for name in self.__dataclass_fields__))

    def and_then(self, other: Rows) -> Rows:
        """These and others."""
        return Rows(
            *(
                np.concatenate([getattr(self, name), getattr(other, name)])
                for name in self.__dataclass_fields__
            )
        )

    @property
    def says_match(self) -> BoolArray:
        """Which say something about the match; as `newest_readings` with `of_the_match`."""
        unusable = self.flags & UNUSABLE
        total = (unusable == int(Flag.REFLECTED_ABOVE_FORWARD)) & (
            self.reflected_w <= TOTAL_REFLECTION_RATIO * self.forward_w
        )
        found: BoolArray = (unusable == 0) | total
        return found


class Newest:
    """The newest report, and the newest reading that says something about the match, of each transmitter.

    Times are 0 where there is none; what is older than `RECENT_US` may be missing.

    Args:
        keys: numbers of the transmitters in the store, in the order of the fleet.
    """

    def __init__(self, keys: IntArray) -> None:
        self._keys = keys
        self._order = np.argsort(keys)
        self._arrival = -1
        self._as_of_us = 0
        self._clear()

    def _clear(self) -> None:
        count = len(self._keys)
        self.report = self._nothing(count)
        self.match = self._nothing(count)
        self._ahead = self._nothing(0)

    @staticmethod
    def _nothing(count: int) -> Rows:
        return Rows(
            np.arange(count, dtype=np.int64),
            np.zeros(count, dtype=np.int64),
            np.full(count, -1, dtype=np.int64),
            np.full(count, np.nan),
            np.full(count, np.nan),
            np.full(count, -1, dtype=np.int64),
        )

    def follow(self, connection: Connection, now_us: int) -> None:
        """Come up to what a transaction sees.

        Args:
            connection: one reading transaction.
            now_us: now [Unix microseconds]; readings that are more than `AHEAD_US` ahead of it wait.
        """
        last, until_us = last_arrival(connection), now_us + AHEAD_US
        # Threads come one after another, and not in the order in which each has looked at the clock.
        if self._arrival < 0 or not -BEHIND_US <= now_us - self._as_of_us <= LONGEST_PAUSE_US:
            self._clear()
            since_us = now_us - RECENT_US
            self._merge(self.report, self._of(newest_readings(connection, since_us, until_us)))
            matches = newest_readings(connection, since_us, until_us, of_the_match=True)
            self._merge(self.match, self._of(matches))
            columns = tables.readings.c
            query = select(*(columns[name] for name in _COLUMNS)).where(columns.time_us > until_us)
            self._ahead = self._rows(connection.execute(query).all())
        elif last > self._arrival or len(self._ahead):
            columns = tables.readings.c
            query = select(*(columns[name] for name in _COLUMNS)).where(
                columns.arrival > self._arrival, columns.arrival <= last
            )
            came = self._rows(connection.execute(query).all()) if last > self._arrival else self._nothing(0)
            came = came.and_then(self._ahead)
            self._ahead = came.take(came.time_us > until_us)
            came = came.take(came.time_us <= until_us)
            self._merge(self.report, came)
            self._merge(self.match, came.take(came.says_match))
        # Another thread may have come farther already, by a transaction that began later.
        self._arrival = max(self._arrival, last)
        self._as_of_us = max(self._as_of_us, now_us)

    def _of(self, frame: pd.DataFrame) -> Rows:
        """The rows of a frame of `newest_readings`."""
        return self._rows(list(frame.reset_index().itertuples(index=False, name=None)))

    def _rows(self, found: Any) -> Rows:
        if not len(found) or not len(self._keys):
            return self._nothing(0)
        key, time_us, flags, forward_w, reflected_w, foldback = (
            np.array(column) for column in zip(*found, strict=True)
        )
        at = np.minimum(np.searchsorted(self._keys, key, sorter=self._order), len(self._keys) - 1)
        position = self._order[at]
        rows = Rows(
            position.astype(np.int64),
            time_us.astype(np.int64),
            flags.astype(np.int64),
            forward_w.astype(np.float64),
            reflected_w.astype(np.float64),
            foldback.astype(np.int64),
        )
        return rows.take(self._keys[position] == key)

    @staticmethod
    def _merge(kept: Rows, came: Rows) -> None:
        """Put newer rows in place of older ones."""
        if not len(came):
            return
        came = came.take(np.lexsort((came.time_us, came.position)))
        last = np.append(came.position[1:] != came.position[:-1], True)
        came = came.take(last)
        came = came.take(came.time_us > kept.time_us[came.position])
        for name in ("time_us", "flags", "forward_w", "reflected_w", "foldback"):
            getattr(kept, name)[came.position] = getattr(came, name)
