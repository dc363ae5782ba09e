"""What people do with alarms, kept: operator states with their history, and shelves.

Windows of work are in `store/windows.py`.

Whoever changes any of it takes `lock_desk` first, and moves the mark on (`store/desk_mark.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, and_, func, insert, select, update

from standingwatch.alarms.handling import (
    BY_HAND,
    LONGEST_NAME,
    LONGEST_TEXT,
    UNTOUCHED,
    Act,
    ActError,
    Handling,
    HandlingChange,
    OperatorState,
    act,
    can_be_kept,
)
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.alarms.shelving import Shelf
from standingwatch.detect.words import Condition, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key, key_columns, key_is, load_alarm
from standingwatch.store.desk_mark import desk_version as desk_version
from standingwatch.store.desk_mark import lock_desk, moved_on
from standingwatch.store.reports import upsert
from standingwatch.store.sites import load_site_list

#: What a shelf may ask an alarm to be about.
SHELF_NAMES = ("site", "region", "transmitter", "condition")

#: Longest time that a shelf may hold: what is shelved for longer is not watched any more [us].
LONGEST_SHELF_US = 366 * 86_400_000_000


# Operator states ----------------------------------------------------------------------------------------


def load_handlings(connection: Connection, *, standing_only: bool = False) -> dict[AlarmKey, Handling]:
    """What was done with each alarm, or each that stands; those that nobody touched are left out."""
    query = select(tables.handlings)
    if standing_only:
        query = query.join(tables.alarms, same_alarm(tables.alarms, tables.handlings))
        query = query.where(tables.alarms.c.is_cleared.is_(False))
    return {alarm_key(r): handling_of_row(r) for r in connection.execute(query)}


def same_alarm(one: Table, other: Table) -> ColumnElement[bool]:
    """That rows of two tables are about one alarm."""
    return and_(*(one.c[name] == other.c[name] for name in tables.ALARM_KEY))


def load_handling(connection: Connection, key: AlarmKey) -> Handling:
    """What was done with one alarm; on PostgreSQL nobody else changes it until this transaction ends."""
    query = select(tables.handlings).where(key_is(tables.handlings, key)).with_for_update()
    row = connection.execute(query).one_or_none()
    return UNTOUCHED if row is None else handling_of_row(row)


def handling_of_row(row: Any) -> Handling:
    """The handling in a row of `handlings`."""
    return Handling(
        OperatorState(row.state), row.by, row.time_us, OperatorState(row.before_shelf), row.assigned_to
    )


def save_handlings(
    connection: Connection, changes: Sequence[tuple[AlarmKey, Handling, HandlingChange]]
) -> None:
    """Keep what was done with alarms, and the lines of its history, in order."""
    if not changes:
        return
    present = {
        key: {
            **key_columns(key),
            "state": handling.state.value,
            "by": handling.by,
            "time_us": handling.time_us,
            "before_shelf": handling.before_shelf.value,
            "assigned_to": handling.assigned_to,
        }
        for key, handling, _ in changes
    }
    upsert(connection, tables.handlings, list(present.values()))
    lines = [
        {
            **key_columns(key),
            "time_us": line.time_us,
            "by": line.by,
            "act": line.act.value,
            "state": line.state.value,
            "text": line.text,
        }
        for key, _, line in changes
    ]
    connection.execute(insert(tables.handling_changes), lines)


@dataclass(frozen=True)
class Done:
    """What came of an act on several alarms: those that it was done to, and why not to the others."""

    done: tuple[AlarmKey, ...]
    refused: tuple[tuple[AlarmKey, str], ...]


def act_on(
    connection: Connection,
    keys: Iterable[AlarmKey],
    what: Act,
    *,
    by: str,
    now_us: int,
    text: str = "",
) -> Done:
    """Do something with alarms by hand; where it is not possible the others are done all the same.

    Args:
        connection: a writing transaction.
        keys: which alarms.
        what: one of `BY_HAND`.
        by: who does it.
        now_us: now [Unix microseconds].
        text: the comment; with `ASSIGN` the person or crew.
    """
    if what not in BY_HAND:
        raise ValueError(f"act: got {what}, wanted one of {', '.join(BY_HAND)}")
    lock_desk(connection)
    changes, refused = [], []
    for key in dict.fromkeys(keys):
        alarm = load_alarm(connection, key)
        if alarm is None:
            refused.append((key, "there is no such alarm"))
            continue
        before = load_handling(connection, key)
        try:
            after, line = act(before, alarm, what, by=by, now_us=now_us, text=text)
        except ActError as error:
            refused.append((key, str(error)))
        else:
            changes.append((key, after, line))
    if changes:
        save_handlings(connection, changes)
        moved_on(connection)
    return Done(tuple(key for key, _, _ in changes), tuple(refused))


def handling_history(
    connection: Connection, key: AlarmKey, limit: int | None = None, before: int | None = None
) -> list[HandlingChange]:
    """What was done with an alarm, oldest first.

    Args:
        connection: a transaction.
        key: which alarm.
        limit: only the newest so many; None for all.
        before: only those before the one of this number; None for all.
    """
    table = tables.handling_changes
    newest = select(table).where(key_is(table, key)).order_by(table.c.id.desc()).limit(limit)
    if before is not None:
        newest = newest.where(table.c.id < before)
    return [
        HandlingChange(r.time_us, r.by, Act(r.act), OperatorState(r.state), r.text, r.id)
        for r in reversed(connection.execute(newest).all())
    ]


# Shelves ------------------------------------------------------------------------------------------------


class EntryError(Exception):
    """A shelf or window of work cannot be entered as it is; the text names every problem.

    Attributes:
        problems: every problem, each with the field that it is about.
    """

    def __init__(self, *problems: str) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


def load_shelves(connection: Connection, *, ended_too: bool = False) -> list[Shelf]:
    """Shelves in their order; those that were taken away only if asked for."""
    columns = tables.shelves.c
    query = select(tables.shelves).order_by(columns.position, columns.id)
    if not ended_too:
        query = query.where(columns.ended_us.is_(None))
    return [
        Shelf(
            r.id,
            r.site,
            r.region,
            r.transmitter,
            r.condition,
            Severity(r.up_to_severity),
            r.from_us,
            r.until_us if r.ended_us is None else min(r.until_us, r.ended_us),
            r.reason,
            r.by,
        )
        for r in connection.execute(query)
    ]


def shelf_positions(connection: Connection) -> dict[int, int]:
    """The place of each shelf in their order, by its number."""
    columns = tables.shelves.c
    return {r.id: r.position for r in connection.execute(select(columns.id, columns.position))}


def unknown_names(connection: Connection, names: Mapping[str, str]) -> list[str]:
    """Names of a shelf that neither the site list nor an alarm has, so that it would take nothing.

    Args:
        connection: a transaction.
        names: site, region, transmitter; a condition is not looked at, `add_shelf` does that.

    Returns:
        A sentence about each.
    """
    rows = load_site_list(connection).rows
    columns = tables.alarms.c
    alarms = connection.execute(select(columns.site, columns.region, columns.transmitter).distinct()).all()
    problems = []
    for name in ("site", "region", "transmitter"):
        wanted = names.get(name, "").strip()
        known = {str(getattr(r, name) or "") for r in (*rows, *alarms)}
        if wanted and wanted not in known:
            alike = ", ".join(get_close_matches(wanted, sorted(known - {""})))
            hint = f"; did you mean {alike}?" if alike else ""
            problems.append(f"{name}: got {wanted!r}, wanted one of the site list{hint}")
    return problems


def add_shelf(
    connection: Connection,
    names: Mapping[str, str],
    *,
    up_to: Severity,
    until_us: int,
    reason: str,
    by: str,
    now_us: int,
    first: bool = False,
) -> int:
    """Make a shelf, behind the others or before them; returns its number.

    Args:
        connection: a writing transaction.
        names: any of site, region, transmitter and condition that an alarm has to be about.
        up_to: the gravest severity that it takes.
        until_us: when it ends [Unix microseconds].
        reason: why.
        by: who makes it.
        now_us: now [Unix microseconds].
        first: whether it comes before the others.

    Raises:
        EntryError: with every problem.
        ValueError: for another name than those four.
    """
    if unknown := set(names) - set(SHELF_NAMES):
        raise ValueError(f"names: got {', '.join(sorted(unknown))}, wanted only {', '.join(SHELF_NAMES)}")
    wanted = {name: names.get(name, "").strip() for name in SHELF_NAMES}
    problems = problems_of_entry(by, "reason", reason)
    if wanted["condition"] and wanted["condition"] not in set(Condition):
        known = ", ".join(Condition)
        problems.append(f"condition: got {wanted['condition']!r}, wanted one of {known}")
    problems += [
        f"{name}: it has characters that cannot be shown; leave them out"
        for name, value in wanted.items()
        if not can_be_kept(value, one_line=True)
    ]
    if up_to is Severity.CLEARED:
        problems.append("severity: got cleared, wanted the gravest severity that it takes")
    if until_us <= now_us:
        problems.append("until: got a time that is over, wanted one to come")
    elif until_us - now_us > LONGEST_SHELF_US:
        problems.append("until: got more than 366 days from now; nothing is shelved for longer than that")
    if problems:
        raise EntryError(*problems)
    lock_desk(connection)
    columns = tables.shelves.c
    edge = func.min(columns.position) if first else func.max(columns.position)
    found = connection.execute(select(edge)).scalar_one_or_none()
    position = 0 if found is None else int(found) + (-1 if first else 1)
    number = connection.execute(
        insert(tables.shelves).values(
            **wanted,
            position=position,
            up_to_severity=int(up_to),
            from_us=now_us,
            until_us=until_us,
            reason=reason.strip(),
            by=by.strip(),
        )
    ).inserted_primary_key
    moved_on(connection)
    if number is None:
        raise RuntimeError("the database gave no number to the shelf it has just kept")
    return int(number[0])


def end_shelf(connection: Connection, number: int, *, by: str, now_us: int) -> bool:
    """Take a shelf away before its time; false if there is none of this number that still holds.

    Raises:
        EntryError: if nobody is named who does it.
    """
    if problems := problems_of_name(by):
        raise EntryError(*problems)
    lock_desk(connection)
    columns = tables.shelves.c
    result = connection.execute(
        update(tables.shelves)
        .where(columns.id == number, columns.ended_us.is_(None), columns.until_us > now_us)
        .values(ended_us=now_us, ended_by=by.strip())
    )
    if result.rowcount:
        moved_on(connection)
    return bool(result.rowcount)


def problems_of_name(by: str) -> list[str]:
    """What is wrong with the name of whoever does something."""
    by = by.strip()
    if not by:
        return ["by: nobody is named; give a name"]
    if len(by) > LONGEST_NAME:
        return [f"by: got {len(by)} characters, wanted {LONGEST_NAME} at most"]
    if not can_be_kept(by, one_line=True):
        return ["by: it has characters that cannot be shown; leave them out"]
    return []


def problems_of_entry(by: str, name: str, why: str) -> list[str]:
    """What is wrong with who enters something, and with the text of a name that says why."""
    problems, why = problems_of_name(by), why.strip()
    if not why:
        problems.append(f"{name}: empty; say why")
    elif len(why) > LONGEST_TEXT:
        problems.append(f"{name}: got {len(why)} characters, wanted {LONGEST_TEXT} at most")
    elif not can_be_kept(why, one_line=False):
        problems.append(f"{name}: it has characters that cannot be shown; leave them out")
    return problems
