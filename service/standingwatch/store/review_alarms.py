"""The alarms of an overnight review: those that stand, and those that ended since the one before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, func, or_, select

from standingwatch.alarms.handling import UNTOUCHED, put_on_shelf, take_off_shelf
from standingwatch.alarms.lifecycle import AlarmKey, ChangeKind
from standingwatch.alarms.shelving import shelf_of, work_of
from standingwatch.detect.words import Severity
from standingwatch.review.ranking import Known
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key, alarm_of_row
from standingwatch.store.handling import load_handlings, load_shelves
from standingwatch.store.windows import load_windows

#: States of a visit that is still to see to its site, the one nearest to it first.
_OPEN_VISITS = ("under-way", "planned", "proposed")


@dataclass(frozen=True)
class Since:
    """Since when a review tells what changed.

    Attributes:
        time_us: when the review before was made [Unix microseconds].
        change: number of the last change that it knew of; None where there was none, and the time counts. A
            change may be noted before a review is made and be committed after it.
    """

    time_us: int
    change: int | None = None

    def holds(self) -> ColumnElement[bool]:
        """The condition that a row of the history came after it."""
        columns = tables.alarm_changes.c
        return columns.noted_us >= self.time_us if self.change is None else columns.id > self.change


def newest_change(connection: Connection) -> int:
    """Number of the newest alarm change; 0 for none."""
    return int(connection.execute(select(func.max(tables.alarm_changes.c.id))).scalar_one_or_none() or 0)


def known_alarms(
    connection: Connection,
    region: str,
    region_of_site: Mapping[str, str],
    since: Since,
    now_us: int,
    after_work_us: int,
) -> list[Known]:
    """Alarms that stand, and those that stood at some time since then and have ended.

    Args:
        connection: one reading transaction.
        region: only those of this region, "" for all, those about this service itself included.
        region_of_site: the region of each site.
        since: since when changes are told.
        now_us: now [Unix microseconds].
        after_work_us: how long after its end a window of work still explains an alarm [us].
    """
    before, raisings = _changes_since(connection, since)
    handlings, shelves = load_handlings(connection), load_shelves(connection)
    windows = [entered.window for entered in load_windows(connection, now_us - after_work_us)]
    visits = _visits(connection)
    found = []
    for row in _rows(connection, since):
        alarm = alarm_of_row(row)
        key = alarm.key
        about = key.region or region_of_site.get(key.site, "")
        if region and about != region:
            continue
        handling = handlings.get(key, UNTOUCHED)
        shelf = shelf_of(alarm, about, shelves, now_us)
        # The watch moves the state to the shelves that hold now in its next pass; a page shows it so too.
        move = take_off_shelf if shelf is None else put_on_shelf
        moved = move(handling, "", now_us)
        handling = handling if moved is None else moved[0]
        visit, state = visits.get(key.site, (None, "")) if key.site else (None, "")
        found.append(
            Known(
                alarm,
                row.text,
                before.get(key, Severity.CLEARED if alarm.is_cleared else alarm.severity),
                raisings.get(key, 0),
                about,
                handling.state.value,
                handling.assigned_to,
                shelf,
                work_of(alarm, windows, now_us, after_work_us),
                visit,
                state,
            )
        )
    return found


def _rows(connection: Connection, since: Since) -> list[Any]:
    """Alarms that stand, and those that changed since then."""
    alarms, changes = tables.alarms, tables.alarm_changes
    same = and_(*(alarms.c[name] == changes.c[name] for name in tables.ALARM_KEY))
    changed = select(changes.c.id).where(same, since.holds()).exists()
    recently = and_(alarms.c.is_cleared.is_(True), changed)
    return list(connection.execute(select(alarms).where(or_(alarms.c.is_cleared.is_(False), recently))))


def _changes_since(
    connection: Connection, since: Since
) -> tuple[dict[AlarmKey, Severity], dict[AlarmKey, int]]:
    """The severity that each alarm which has changed since had then, and how often it was raised since.

    By when changes were noted: that is what the list showed.
    """
    columns = tables.alarm_changes.c
    names = [columns[name] for name in tables.ALARM_KEY]
    query = select(*names, columns.kind, columns.previous).where(since.holds())
    before: dict[AlarmKey, Severity] = {}
    raisings: dict[AlarmKey, int] = {}
    for row in connection.execute(query.order_by(columns.id)):
        key = alarm_key(row)
        before.setdefault(key, Severity(row.previous))
        if row.kind == ChangeKind.RAISED.value:
            raisings[key] = raisings.get(key, 0) + 1
    return before, raisings


def _visits(connection: Connection) -> dict[str, tuple[int, str]]:
    """The open visit of each site: number and state; of several the one nearest to being done."""
    columns = tables.visits.c
    query = select(columns.id, columns.site, columns.state).where(columns.state.in_(_OPEN_VISITS))
    rows = sorted(connection.execute(query), key=lambda r: (_OPEN_VISITS.index(r.state), r.id))
    found: dict[str, tuple[int, str]] = {}
    for row in rows:
        found.setdefault(row.site, (int(row.id), row.state))
    return found
