"""The outbox: messages that wait for their delivery, written in the transaction that changes an alarm.

A message waits, or was delivered, or is a dead letter: given up on, and kept until somebody sends it again.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.store import tables
from standingwatch.store.reports import upsert

#: A channel that has not been tried for so long begins to fail anew at its next failure [us].
FORGET_FAILING_US = 15 * 60_000_000


@dataclass(frozen=True)
class NewMessage:
    """A message to put into the outbox.

    Attributes:
        channel: name of the channel.
        event_id: the CloudEvents `id`; a message of an id that the channel was given before is left out.
        key: what it is about; of a summary what its alarms have in common, with condition "".
        made_us: now [Unix microseconds].
        body: the CloudEvent as JSON.
    """

    channel: str
    event_id: str
    key: Subject
    made_us: int
    body: str


@dataclass(frozen=True)
class Subject:
    """What a message is about, by the names of an alarm's key; "" for what it is not about."""

    site: str = ""
    transmitter: str = ""
    condition: str = ""
    region: str = ""
    service: str = ""

    @classmethod
    def of(cls, key: AlarmKey) -> Subject:
        """The subject of a message about one alarm."""
        return cls(key.site, key.transmitter, key.condition.value, key.region, key.service)


@dataclass(frozen=True)
class Message:
    """A message of the outbox that waits for its delivery."""

    id: int
    channel: str
    event_id: str
    subject: Subject
    made_us: int
    body: str
    tries: int


@dataclass(frozen=True)
class DeadMessage:
    """A message that was given up on: when [Unix microseconds], and why."""

    message: Message
    dead_us: int
    error: str


def add_messages(connection: Connection, messages: Sequence[NewMessage]) -> int:
    """Put messages into the outbox; how many of them were new to their channel."""
    if not messages:
        return 0
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    statement = (
        dialect.insert(tables.outbox)
        .on_conflict_do_nothing(index_elements=["channel", "event_id"])
        # The count of many rows is not to be had otherwise on PostgreSQL.
        .returning(tables.outbox.c.id)
    )
    rows = [
        {
            "channel": m.channel,
            "event_id": m.event_id,
            **vars(m.key),
            "made_us": m.made_us,
            "body": m.body,
            "tries": 0,
            "last_error": "",
        }
        for m in messages
    ]
    return len(connection.execute(statement, rows).all())


def _waits() -> ColumnElement[bool]:
    """The condition that a message waits for its delivery."""
    columns = tables.outbox.c
    return columns.delivered_us.is_(None) & columns.dead_us.is_(None)


def waiting_messages(
    connection: Connection, channel: str, limit: int = 500, after_id: int = 0
) -> list[Message]:
    """Messages that a channel has still to deliver, oldest first, from behind one of them on."""
    columns = tables.outbox.c
    query = (
        select(tables.outbox)
        .where(columns.channel == channel, _waits(), columns.id > after_id)
        .order_by(columns.id)
        .limit(limit)
    )
    return [_message(r) for r in connection.execute(query)]


def _message(row: Any) -> Message:
    subject = Subject(row.site, row.transmitter, row.condition, row.region, row.service)
    return Message(row.id, row.channel, row.event_id, subject, row.made_us, row.body, row.tries)


def mark_delivered(connection: Connection, ids: Sequence[int], now_us: int) -> None:
    """Note that messages were delivered."""
    if ids:
        connection.execute(
            update(tables.outbox)
            .where(tables.outbox.c.id.in_(list(ids)))
            .values(delivered_us=now_us, tries=tables.outbox.c.tries + 1, last_error="")
        )


def mark_failed(connection: Connection, message_id: int, error: str) -> None:
    """Note that a try to deliver failed, and why."""
    connection.execute(
        update(tables.outbox)
        .where(tables.outbox.c.id == message_id)
        .values(tries=tables.outbox.c.tries + 1, last_error=error)
    )


def mark_dead(connection: Connection, message_id: int, now_us: int, error: str) -> None:
    """Note that a try to deliver failed, why, and that there will be no other."""
    connection.execute(
        update(tables.outbox)
        .where(tables.outbox.c.id == message_id)
        .values(tries=tables.outbox.c.tries + 1, last_error=error, dead_us=now_us)
    )


def give_up(connection: Connection, channel: str, made_before_us: int, now_us: int, error: str) -> int:
    """Make dead letters of what waits and was made at or before a time; how many."""
    columns = tables.outbox.c
    statement = (
        update(tables.outbox)
        .where(columns.channel == channel, _waits(), columns.made_us <= made_before_us)
        .values(last_error=error, dead_us=now_us)
    )
    return int(connection.execute(statement).rowcount)


def dead_messages(connection: Connection, channel: str = "", limit: int = 100) -> list[DeadMessage]:
    """Dead letters, of one channel if it is named, those given up on last first."""
    columns = tables.outbox.c
    query = select(tables.outbox).where(columns.dead_us.is_not(None))
    if channel:
        query = query.where(columns.channel == channel)
    query = query.order_by(columns.dead_us.desc(), columns.id.desc()).limit(limit)
    return [DeadMessage(_message(r), r.dead_us, r.last_error) for r in connection.execute(query)]


def send_again(connection: Connection, channel: str = "", message_id: int | None = None) -> int:
    """Let dead letters wait again: all, those of a channel, or one; how many.

    They keep their ids and their places: a receiver that has later news of the same alarm gets older news.
    """
    columns = tables.outbox.c
    wanted: list[ColumnElement[bool]] = [columns.dead_us.is_not(None)]
    if channel:
        wanted.append(columns.channel == channel)
    if message_id is not None:
        wanted.append(columns.id == message_id)
    dead = and_(*wanted)
    # Tried for as long as a new one, even where the channel has been failing all the while.
    for name in connection.execute(select(columns.channel).where(dead).distinct()).scalars().all():
        note_well(connection, name)
    statement = update(tables.outbox).where(dead).values(dead_us=None, tries=0, last_error="")
    return int(connection.execute(statement).rowcount)


@dataclass(frozen=True)
class Failing:
    """That a channel as a whole is failing: since when, last when [Unix microseconds], and why."""

    since_us: int
    last_us: int
    error: str


def _note_name(channel: str) -> str:
    return f"channel failing: {channel}"


def failing(connection: Connection, channel: str, *, to_change: bool = False) -> Failing | None:
    """Since when a channel as a whole is failing; None if it is not.

    Args:
        connection: any transaction; a writing one if `to_change`.
        channel: its name.
        to_change: others who would change it wait until this transaction has ended.
    """
    columns = tables.notes.c
    query = select(columns.value).where(columns.name == _note_name(channel))
    text = connection.execute(query.with_for_update() if to_change else query).scalar_one_or_none()
    return None if text is None else Failing(**json.loads(text))


def note_failing(connection: Connection, channel: str, now_us: int, error: str) -> Failing:
    """Note that a channel as a whole has failed, and return since when it has."""
    # What is sent again meanwhile is not to be given up on as if it had been tried all the time.
    before = failing(connection, channel, to_change=True)
    goes_on = before is not None and 0 <= now_us - before.last_us <= FORGET_FAILING_US
    now = Failing(before.since_us if before is not None and goes_on else now_us, now_us, error)
    row = {"name": _note_name(channel), "value": json.dumps(vars(now))}
    upsert(connection, tables.notes, [row])
    return now


def note_well(connection: Connection, channel: str) -> None:
    """Note that a channel works."""
    connection.execute(delete(tables.notes).where(tables.notes.c.name == _note_name(channel)))


@dataclass(frozen=True)
class ChannelState:
    """How a channel stands.

    Attributes:
        waiting, dead: how many messages wait, and how many were given up on.
        oldest_waiting_us: when the oldest of those that wait was made [Unix microseconds]; None for none.
        failing: since when the channel as a whole fails; None if it does not.
        last_error: why the newest failed delivery failed, as far as it is not made good; "" for none.
    """

    waiting: int = 0
    dead: int = 0
    oldest_waiting_us: int | None = None
    failing: Failing | None = None
    last_error: str = ""


def channel_state(connection: Connection, channel: str) -> ChannelState:
    """How a channel stands."""
    columns = tables.outbox.c
    of_channel = columns.channel == channel
    waiting, oldest_us = connection.execute(
        select(func.count(), func.min(columns.made_us)).where(of_channel, _waits())
    ).one()
    dead = connection.execute(
        select(func.count()).where(of_channel, columns.delivered_us.is_(None), columns.dead_us.is_not(None))
    ).scalar_one()
    now_failing = failing(connection, channel)
    error = now_failing.error if now_failing is not None else ""
    if not error and (waiting or dead):
        error = (
            connection.execute(
                select(columns.last_error)
                .where(of_channel, columns.delivered_us.is_(None), columns.last_error != "")
                .order_by(columns.id.desc())
                .limit(1)
            ).scalar_one_or_none()
            or ""
        )
    return ChannelState(int(waiting), int(dead), oldest_us, now_failing, error)


def waiting_counts(connection: Connection) -> dict[str, int]:
    """How many messages wait, by channel."""
    columns = tables.outbox.c
    query = select(columns.channel, func.count()).where(_waits()).group_by(columns.channel)
    return {channel: int(count) for channel, count in connection.execute(query)}


def channels_with_messages(connection: Connection) -> list[str]:
    """Channels that messages wait for or were given up on, by name; also those that the settings dropped."""
    columns = tables.outbox.c
    query = select(columns.channel).where(columns.delivered_us.is_(None)).distinct().order_by(columns.channel)
    return list(connection.execute(query).scalars())


def made_since(connection: Connection, since_us: int) -> dict[str, list[int]]:
    """When messages were made since a time, by channel, in order [Unix microseconds]."""
    columns = tables.outbox.c
    query = (
        select(columns.channel, columns.made_us).where(columns.made_us >= since_us).order_by(columns.made_us)
    )
    result: dict[str, list[int]] = {}
    for channel, made_us in connection.execute(query):
        result.setdefault(channel, []).append(int(made_us))
    return result


def forget_delivered(connection: Connection, before_us: int) -> int:
    """Delete delivered messages made before a time; their changes stay in the history."""
    columns = tables.outbox.c
    query = tables.outbox.delete().where(columns.delivered_us.is_not(None), columns.made_us < before_us)
    return int(connection.execute(query).rowcount)
