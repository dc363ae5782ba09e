"""How much of what cannot be used is kept: so much of a source in a day, so that nobody can fill the disk.

Reports that are refused are kept, so that they can be put in again after a fix. A device that sends nothing
else all day, or somebody with its credentials, would fill the store with them, and so end the watch for
everybody. What is more than its share is counted and said, and not kept. No reading is ever left out.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

from standingwatch.intake.queue import source_of
from standingwatch.store.reports import RefusedReport

log = logging.getLogger("standingwatch.intake")

DAY_US = 86_400_000_000

#: Of all sources together so many times the share of one is kept.
ALL_SHARES = 64

#: Sources that have a share of their own in a day; those that come later have one together.
MOST_SOURCES = 10_000

#: What a row takes in the store besides its texts, about [B].
ROW_BYTES = 100


class Shares:
    """What was kept of each source today; it begins anew with each day, and with the process.

    Args:
        most_bytes: kept of one source in a day [B]; of all together `ALL_SHARES` times as much.
        root: what the service's own topics begin with; they name the site, any other topic is one itself.
    """

    def __init__(self, most_bytes: int, root: str) -> None:
        self._most_bytes = most_bytes
        self._own = f"{root}/"
        self._day = -1
        self._all = 0
        self._of: dict[str, int] = {}
        self._told: set[str] = set()
        self._not_taken: dict[str, int] = {}
        self._new_all = 0

    def within(self, refused: Sequence[RefusedReport], now_us: int) -> list[RefusedReport]:
        """Those that are to be kept, in their order; the log says where a source's begin to be left out.

        They count once `take` says that they are in the store, so that a batch may be tried again.
        """
        day = now_us // DAY_US
        if day != self._day:
            self._day, self._all, self._of, self._told = day, 0, {}, set()
        self._not_taken, self._new_all = {}, 0
        return [one for one in refused if self._fits(one)]

    def take(self) -> None:
        """What `within` gave last is in the store."""
        for source, size in self._not_taken.items():
            self._of[source] = self._of.get(source, 0) + size
        self._all += self._new_all
        self._not_taken, self._new_all = {}, 0

    def _fits(self, one: RefusedReport) -> bool:
        new, source = self._not_taken, source_of(one.topic, self._own)
        is_known = source in self._of or source in new
        if not is_known and len(self._of) + len(new) >= MOST_SOURCES:
            source = ""
        size = ROW_BYTES + len(one.topic) + len(one.payload) + len(one.detail)
        before, before_of_all = self._of.get(source, 0) + new.get(source, 0), self._all + self._new_all
        # The first is kept however large it is, so that there is something to look at.
        if before_of_all and (
            (before and before + size > self._most_bytes)
            or before_of_all + size > ALL_SHARES * self._most_bytes
        ):
            self._tell(source, one)
            return False
        new[source] = new.get(source, 0) + size
        self._new_all += size
        return True

    def _tell(self, source: str, one: RefusedReport) -> None:
        if source in self._told or len(self._told) > MOST_SOURCES:
            return
        self._told.add(source)
        log.warning(
            "so much of %r is refused that no more of it is kept today, only counted; the last: %s: %s",
            source or "many topics",
            one.reason,
            one.detail,
        )
