"""Alarms that have ended, a page at a time: chosen, ordered, counted and cut by the database.

Ended alarms stay for a year or more, so that a fleet has tens of thousands: reading them all for a page of
fifty would take seconds.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Text,
    any_,
    cast,
    func,
    literal,
    or_,
    select,
    tuple_,
)
from sqlalchemy.dialects.postgresql import ARRAY

from standingwatch.alarms.handling import UNTOUCHED, Handling, OperatorState
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import StandingAlarm, alarm_of_row, key_columns
from standingwatch.store.handling import handling_of_row, same_alarm

#: What orders alarms that ended at one time.
_BY_NAME = tuple(tables.alarms.c[name] for name in tables.ALARM_KEY)

_HANDLED = ("state", "by", "time_us", "before_shelf", "assigned_to")


@dataclass(frozen=True)
class EndedChoice:
    """Which ended alarms.

    Attributes:
        closed: only those that somebody has closed, or only those that nobody has; None for both.
        severity: only those whose last severity was at least this; None for all.
        condition: only this one; None for all.
        region: only those about this region; "" for all.
        sites_of_region: the sites of that region, whose alarms are kept too.
        text: only those that tell this somewhere; case does not matter, of letters other than A to Z as far
            as the database knows them; "" for all.
        sites_of_text, conditions_of_text: sites and conditions whose own words tell the text.
    """

    closed: bool | None = None
    severity: Severity | None = None
    condition: Condition | None = None
    region: str = ""
    sites_of_region: Collection[str] = ()
    text: str = ""
    sites_of_text: Collection[str] = ()
    conditions_of_text: Collection[str] = ()


@dataclass(frozen=True)
class HandledAlarm(StandingAlarm):
    """An alarm with its text and what was done with it."""

    handling: Handling = UNTOUCHED


def ended_page(
    connection: Connection,
    choice: EndedChoice,
    limit: int | None,
    *,
    offset: int = 0,
    after: tuple[int, AlarmKey] | None = None,
) -> list[HandledAlarm]:
    """Some ended alarms, the last that ended first.

    Args:
        connection: a reading transaction.
        choice: which.
        limit: so many at most; None for all.
        offset: so many are left out at the beginning.
        after: only those behind the one that ended then [Unix microseconds] and has this key.
    """
    alarms, handlings = tables.alarms, tables.handlings
    told = [handlings.c[name].label(f"handled_{name}") for name in _HANDLED]
    query = (
        select(alarms, *told)
        .select_from(_joined())
        .where(*_wanted(connection, choice))
        .order_by(alarms.c.changed_us.desc(), *_BY_NAME)
        .limit(limit)
        .offset(offset)
    )
    if after is not None:
        time_us, key = after
        names = key_columns(key)
        behind = tuple_(*_BY_NAME) > tuple_(*(literal(names[name]) for name in tables.ALARM_KEY))
        of_that_time = (alarms.c.changed_us == time_us) & behind
        # The first condition says what the second one says too, in a way that the index can be walked by.
        query = query.where(alarms.c.changed_us <= time_us, (alarms.c.changed_us < time_us) | of_that_time)
    return [HandledAlarm(alarm_of_row(r), r.text, _handling(r)) for r in connection.execute(query)]


def count_ended(connection: Connection, choice: EndedChoice) -> int:
    """How many ended alarms there are of a choice."""
    wanted = _wanted(connection, choice)
    query = select(func.count()).select_from(_joined()).where(*wanted)
    return int(connection.execute(query).scalar_one())


def ended_and_open(connection: Connection) -> int:
    """How many alarms have ended and were not closed."""
    alarms, handlings = tables.alarms, tables.handlings
    ended = alarms.c.is_cleared.is_(True)
    closed = handlings.c.before_shelf == OperatorState.CLOSED.value
    # The difference of two counts: an outer join would look every ended alarm up.
    every = select(func.count()).select_from(alarms).where(ended)
    both = select(func.count()).select_from(handlings.join(alarms, same_alarm(alarms, handlings)))
    in_all = connection.execute(every).scalar_one()
    return int(in_all - connection.execute(both.where(ended, closed)).scalar_one())


def _joined() -> FromClause:
    return tables.alarms.outerjoin(tables.handlings, same_alarm(tables.alarms, tables.handlings))


def _handling(row: Any) -> Handling:
    if row.handled_state is None:
        return UNTOUCHED
    return handling_of_row(_Handled(**{name: getattr(row, f"handled_{name}") for name in _HANDLED}))


@dataclass(frozen=True)
class _Handled:
    """The columns of `handlings` in a row that has more."""

    state: str
    by: str
    time_us: int
    before_shelf: str
    assigned_to: str


def _wanted(connection: Connection, choice: EndedChoice) -> list[ColumnElement[bool]]:
    """What a row has to be."""
    c, handlings = tables.alarms.c, tables.handlings.c
    wanted: list[ColumnElement[bool]] = [c.is_cleared.is_(True)]
    if choice.closed is not None:
        # An alarm that nobody touched has no row, and was not closed.
        is_closed = func.coalesce(handlings.before_shelf, "") == OperatorState.CLOSED.value
        wanted.append(is_closed if choice.closed else ~is_closed)
    if choice.severity is not None:
        wanted.append(c.severity >= int(choice.severity))
    if choice.condition is not None:
        wanted.append(c.condition == choice.condition.value)
    if choice.region:
        in_region = (c.region == "") & _among(connection, c.site, choice.sites_of_region)
        wanted.append(or_(c.region == choice.region, in_region))
    if choice.text:
        told = [c.site, c.transmitter, c.region, c.service, c.condition, c.text, handlings.assigned_to]
        # Names of members are kept as JSON, in which other letters than A to Z are escaped.
        in_json = json.dumps(choice.text)[1:-1]
        wanted.append(
            or_(
                *(column.icontains(choice.text, autoescape=True) for column in told),
                c.members.icontains(in_json, autoescape=True),
                _among(connection, c.site, choice.sites_of_text),
                _among(connection, c.condition, choice.conditions_of_text),
            )
        )
    return wanted


def _among(connection: Connection, column: Any, names: Collection[str]) -> ColumnElement[bool]:
    """That a column is one of some names, of which there may be more than a statement has parameters."""
    given = sorted(names)
    if connection.dialect.name == "sqlite":
        found = func.json_each(json.dumps(given)).table_valued("value")
        listed: ColumnElement[bool] = column.in_(select(found.c.value))
        return listed
    is_one: ColumnElement[bool] = column == any_(cast(literal(given, ARRAY(Text)), ARRAY(Text)))
    return is_one
