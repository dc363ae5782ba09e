"""What has to hold whatever happened: reports, alarms, and what receivers were told."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import DBAPIError

from fault_campaign.of_stores import command
from fault_campaign.sites import Key
from fault_campaign.waits import CampaignError
from fault_campaign.world import World
from standingwatch.detect.words import SERVICE_CONDITIONS
from standingwatch.store import tables
from standingwatch.store.reports import last_arrival
from standingwatch.store.watching import load_progress

#: An alarm change: site, transmitter, condition, severity in words, time [Unix microseconds].
Row = tuple[str, str, str, str, int]


@dataclass
class Readings:
    """Reports as the store has them against those that were accepted."""

    lost: set[Key]
    strange: list[str]
    refused: int


def stored_readings(connection: Connection, since_us: int) -> dict[Key, tuple[float, float]]:
    """Readings from a time on, with forward and reflected power [W]."""
    columns, names = tables.readings.c, tables.transmitters.c
    rows = connection.execute(
        select(names.site, names.transmitter, columns.time_us, columns.forward_w, columns.reflected_w)
        .join(tables.transmitters, names.key == columns.transmitter)
        .where(columns.time_us >= since_us)
    )
    return {(row[0], row[1], row[2]): (row[3], row[4]) for row in rows}


def check_readings(world: World, accepted: set[Key], since_us: int = 0) -> Readings:
    """Hold the store's readings since a time to what was accepted by now; it is a set, so each is there once.

    That a report is in it twice can only be at another time or with other powers: then it is none that was
    made, or it was refused as a repeat that conflicts.
    """
    engine = world.look()
    with engine.connect() as connection:
        stored = stored_readings(connection, since_us)
        refused = int(connection.execute(select(func.count()).select_from(tables.refused)).scalar_one())
    lost = {key for key in accepted if key[2] >= since_us} - stored.keys()
    strange = [
        f"{key}: {values}, sent {world.sites.made.get(key)}"
        for key, values in stored.items()
        if world.sites.made.get(key) != values
    ]
    return Readings(lost, strange, refused)


@dataclass(frozen=True)
class Mark:
    """How far all was when a fault ended.

    Attributes:
        accepted: reports that the broker had accepted by then.
        since_us: from when on readings are looked at [Unix microseconds].
        lifted_us: when that was; a report made later has to be judged too.
    """

    accepted: frozenset[Key]
    since_us: int
    lifted_us: int


def not_done(world: World, mark: Mark) -> str:
    """What is missing until it is back, with all of the mark stored, judged and told; "" if nothing is."""
    ready, why = world.daemon.ready()
    if not ready:
        return why
    try:
        with world.look().connect() as connection:
            stored = stored_readings(connection, mark.since_us).keys()
            if missing := mark.accepted - stored:
                return f"{len(missing)} accepted reports are not stored: {sorted(missing)[:3]}"
            if not stored or max(key[2] for key in stored) <= mark.lifted_us:
                return "no report that was made afterwards is stored"
            progress = load_progress(connection, "watch")
            columns = tables.readings.c
            first = connection.execute(
                select(func.min(columns.arrival)).where(columns.time_us > mark.lifted_us)
            ).scalar_one()
            if progress is None or progress.arrival < first:
                return "the watch has not judged what was made afterwards"
            left = waiting(connection, older=True)
            return f"{left} messages wait" if left else ""
    except DBAPIError as error:
        return f"the store cannot be read: {error.orig}"


def waiting(connection: Connection, *, older: bool = False) -> int:
    """Messages that wait to be delivered; with `older` only those that are not among the newest twenty."""
    columns = tables.outbox.c
    query = (
        select(func.count())
        .select_from(tables.outbox)
        .where(columns.delivered_us.is_(None), columns.dead_us.is_(None))
    )
    if older:
        newest = select(func.coalesce(func.max(columns.id), 0)).scalar_subquery()
        query = query.where(columns.id <= newest - 20)
    return int(connection.execute(query).scalar_one())


def drained(world: World) -> bool:
    """Whether nothing is under way any more anywhere."""
    if not world.daemon.ready()[0]:
        return False
    try:
        with world.look().connect() as connection:
            progress = load_progress(connection, "watch")
            return (
                progress is not None
                and progress.arrival == last_arrival(connection)
                and not waiting(connection)
            )
    except DBAPIError:
        return False


# Alarms -------------------------------------------------------------------------------------------------


def noted_alarms(connection: Connection) -> list[Row]:
    """The alarm history of the store, without that about the service itself."""
    from standingwatch.detect.words import Severity

    columns = tables.alarm_changes.c
    rows = connection.execute(
        select(columns.site, columns.transmitter, columns.condition, columns.severity, columns.time_us)
    )
    mine = {condition.value for condition in SERVICE_CONDITIONS}
    return sorted((r[0], r[1] or "", r[2], Severity(r[3]).word, r[4]) for r in rows if r[2] not in mine)


def replayed_alarms(world: World) -> list[Row]:
    """What a replay of the stored readings gives, by our own commands."""
    for words in (
        ("export", "readings", "stored.parquet"),
        (
            *("replay", "--inventory", "inventory.csv", "--readings", "stored.parquet"),
            *("--out", "replayed", "--settings", "standingwatch.toml"),
        ),
    ):
        done = command(world, *words)
        if done.returncode:
            raise CampaignError(f"{' '.join(words)}: {done.stderr}")
    lines = (world.folder / "replayed" / "alarms.jsonl").read_text().splitlines()
    return sorted(
        (
            line["site"] or "",
            line["transmitter"] or "",
            line["condition"],
            line["severity"],
            round(datetime.fromisoformat(line["time"]).timestamp() * 1e6),
        )
        for line in map(json.loads, lines)
    )


# What receivers were told -------------------------------------------------------------------------------


@dataclass
class Told:
    """What one receiver was told, against the alarm history."""

    changes: int = 0
    missing: list[str] = field(default_factory=list)
    lost_by_broker: int = 0
    out_of_order: int = 0
    repeated: int = 0
    two_ids: int = 0


def check_told(
    changes: Iterable[Any],
    events: list[dict[str, Any]],
    excused: Iterable[str] = (),
) -> Told:
    """Hold what a receiver got to the history: each change once by its id, and in order for each alarm.

    Args:
        changes: rows of the history, oldest first.
        events: what came, in order; the same id again is a repeat, which a receiver knows by it.
        excused: ids that a broker took over and then lost with its memory.
    """
    told, excuse = Told(), set(excused)
    place = {row.event_id: i for i, row in enumerate(changes)}
    rows = {row.event_id: row for row in changes}
    told.changes = len(place)
    counts = Counter(event["id"] for event in events)
    told.repeated = sum(n - 1 for n in counts.values())
    for event_id in place.keys() - counts.keys():
        if event_id in excuse:
            told.lost_by_broker += 1
        else:
            told.missing.append(event_id)
    newest: dict[tuple[Any, ...], int] = {}
    seen: dict[tuple[Any, ...], str] = {}
    first: set[str] = set()
    for event in events:
        event_id = event["id"]
        if event_id in first:
            continue
        first.add(event_id)
        data = event["data"]
        # Another id for a change that has one already: told twice.
        change = (
            *(data.get(name) for name in ("site", "transmitter", "region", "service", "condition")),
            event["type"],
            data.get("time_changed"),
        )
        if seen.setdefault(change, event_id) != event_id:
            told.two_ids += 1
        row = rows.get(event_id)
        if row is None:
            continue
        alarm = (row.site, row.transmitter, row.condition, row.region, row.service)
        if place[event_id] < newest.get(alarm, -1):
            told.out_of_order += 1
        newest[alarm] = max(place[event_id], newest.get(alarm, -1))
    return told


def history(connection: Connection) -> list[Any]:
    """All alarm changes, oldest first."""
    changes = tables.alarm_changes
    return list(connection.execute(select(changes).order_by(changes.c.id)))


def delivered_between(connection: Connection, channel: str, spans_us: Iterable[tuple[int, int]]) -> set[str]:
    """Ids of the messages that a channel handed over within spans of time."""
    columns = tables.outbox.c
    found: set[str] = set()
    for begin_us, end_us in spans_us:
        found |= set(
            connection.execute(
                select(columns.event_id).where(
                    columns.channel == channel, columns.delivered_us.between(begin_us, end_us)
                )
            ).scalars()
        )
    return found


def file_events(world: World) -> list[dict[str, Any]]:
    """What stands in the file channel's file."""
    path = world.folder / "events.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
