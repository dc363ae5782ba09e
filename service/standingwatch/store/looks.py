"""When each person last looked at the board, and what alarms have done since a time."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import Connection, func, select

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Severity
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key
from standingwatch.store.reports import upsert

#: So many changes are looked at at most, the newest: more than that nobody reads.
MOST_CHANGES = 20_000

#: A look counts as of the newest change that the page showed, but of no earlier time than this before the
#: page [us]: a pass of the watch notes the time at its beginning and commits a little later, and none may
#: be lost between.
COMMITTED_WITHIN_US = 120_000_000


class Turn(StrEnum):
    """What came of an alarm between two looks."""

    NEW = "new"
    WORSE = "worse"
    BETTER = "better"
    CLEARED = "cleared"
    CAME_AND_WENT = "came-and-went"
    CHANGED = "changed"


@dataclass(frozen=True)
class Course:
    """What an alarm has done since a time.

    Attributes:
        key: which alarm.
        before: its severity at that time, `CLEARED` where it did not stand.
        after: its severity after its last change, `CLEARED` where it does not stand any more.
        time_us: when its last change was noted [Unix microseconds].
        text: the sentence of that change.
    """

    key: AlarmKey
    before: Severity
    after: Severity
    time_us: int
    text: str

    @property
    def turn(self) -> Turn:
        """What came of it."""
        stood, stands = self.before is not Severity.CLEARED, self.after is not Severity.CLEARED
        if not stood:
            return Turn.NEW if stands else Turn.CAME_AND_WENT
        if not stands:
            return Turn.CLEARED
        if self.after == self.before:
            return Turn.CHANGED
        return Turn.WORSE if self.after > self.before else Turn.BETTER


def last_look(connection: Connection, user: str) -> int | None:
    """When a person last said that the board is seen [Unix microseconds]; None for never."""
    columns = tables.looks.c
    found = connection.execute(select(columns.time_us).where(columns.user == user)).scalar_one_or_none()
    return None if found is None else int(found)


def keep_look(connection: Connection, user: str, time_us: int) -> None:
    """Keep that a person has seen what there was at a time; one that is kept already is never moved back."""
    before = last_look(connection, user)
    if before is None or time_us > before:
        upsert(connection, tables.looks, [{"user": user, "time_us": time_us}])


def seen_until_us(connection: Connection, now_us: int) -> int:
    """Up to when a page that is made of this transaction shows every change [Unix microseconds]."""
    newest = connection.execute(select(func.max(tables.alarm_changes.c.noted_us))).scalar_one()
    return max(min(int(newest or 0), now_us), now_us - COMMITTED_WITHIN_US)


def courses_since(connection: Connection, since_us: int) -> list[Course]:
    """What each alarm has done that changed after a time, gravest of now first, then the newest.

    Args:
        connection: any transaction.
        since_us: what was noted after this counts [Unix microseconds].
    """
    columns = tables.alarm_changes.c
    query = (
        select(tables.alarm_changes)
        .where(columns.noted_us > since_us)
        .order_by(columns.id.desc())
        .limit(MOST_CHANGES)
    )
    found: dict[AlarmKey, Course] = {}
    for row in connection.execute(query):
        key = alarm_key(row)
        newer = found.get(key)
        previous = Severity(row.previous)
        found[key] = (
            Course(key, previous, Severity(row.severity), row.noted_us, row.text)
            if newer is None
            else Course(key, previous, newer.after, newer.time_us, newer.text)
        )
    return sorted(found.values(), key=lambda one: (-one.after, -one.before, -one.time_us, one.key))
