"""Parts of the watch: which of several has a site, and how sites go from one to another without a gap.

Parts are made of whole regions, since a region's weather and groups need all of its transmitters; regions
that share a site go together. A region keeps its part until the number of parts changes or others have
grown apart, so that sites seldom move.

A site that is to go elsewhere is let go of by the part that has it, in a transaction that notes how far that
part had come. The part that gets it takes it up once it has come as far itself, reads what arrived in
between once more for that site alone, and goes on with the site's own records: what the engine has judged it
passes over by the time of the newest reading, so nothing is judged twice or left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection, delete, func, insert, select, text, update

from standingwatch.inventory import InventoryRow
from standingwatch.store import tables
from standingwatch.store.reports import upsert
from standingwatch.store.watching import Progress, load_progress, save_progress

#: Mark that says into how many parts the watch is divided; absent for one.
PARTS_MARK = "watch-parts"

#: Mark that moves on whenever a site goes to another part.
SITES_MARK = "watch-sites"

#: Key of the lock under which sites change hands, on PostgreSQL.
PARTS_LOCK = 7_201_914


def watch_name(part: int) -> str:
    """The name under which a part keeps how far it has come: that of the only one is as it always was."""
    return "watch" if part == 0 else f"watch-{part}"


def history_mark_of(part: int, mark: str) -> str:
    """The mark under which a part notes up to which change of the history it has taken it in."""
    return mark if part == 0 else f"{mark}-{part}"


@dataclass(frozen=True)
class Handed:
    """How far the part had come that let sites go; times in Unix microseconds."""

    arrival: int
    until_us: int
    closed_until_us: int


@dataclass(frozen=True)
class Share:
    """What a part has.

    Attributes:
        part: its number; the first one has the alarms about the service itself, too.
        sites: its sites; None for all.
        regions: regions whose alarms are its own.
        handed: sites that it takes up now, and what the part that had them had come to.
        waits_for: how far it has to come (arrival, time judged up to) before it takes up each of the others.
    """

    part: int = 0
    sites: frozenset[str] | None = None
    regions: frozenset[str] = frozenset()
    handed: Mapping[str, Handed] = field(default_factory=dict)
    waits_for: frozenset[tuple[int, int]] = frozenset()

    @property
    def is_whole(self) -> bool:
        """Whether there are no other parts."""
        return self.sites is None

    def has(self, site: str, region: str, service: str) -> bool:
        """Whether an alarm about a site, a region or the service itself is its own."""
        if self.sites is None:
            return True
        if service:
            return self.part == 0
        return region in self.regions if region else site in self.sites


def mark_values(connection: Connection, *names: str) -> tuple[int, ...]:
    """Values of some marks, 0 for those that there are not."""
    marks = tables.marks.c
    kept = {
        r.name: int(r.value) for r in connection.execute(select(tables.marks).where(marks.name.in_(names)))
    }
    return tuple(kept.get(name, 0) for name in names)


def set_parts(connection: Connection, parts: int) -> None:
    """Divide the watch into so many parts from now on."""
    if mark_values(connection, PARTS_MARK)[0] != (parts if parts > 1 else 0):
        _lock(connection)
        upsert(connection, tables.marks, [{"name": PARTS_MARK, "value": parts if parts > 1 else 0}])
        _moved(connection)


def parts_in_use(connection: Connection) -> list[int]:
    """Numbers of the parts that somebody has to work on: also one too many that has sites still."""
    wanted = max(1, mark_values(connection, PARTS_MARK)[0])
    columns = tables.watch_sites.c
    kept = connection.execute(select(columns.part).distinct()).scalars()
    return sorted({*range(wanted), *(int(part) for part in kept)})


def _lock(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": PARTS_LOCK})


def _moved(connection: Connection) -> None:
    """Have all parts look at their sites again."""
    value = mark_values(connection, SITES_MARK)[0] + 1
    upsert(connection, tables.marks, [{"name": SITES_MARK, "value": value}])


# Dividing -----------------------------------------------------------------------------------------------


def regions_together(rows: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Each region by the first name of those that it has to stay with, since a site has transmitters in both.

    Args:
        rows: site and region of each transmitter.
    """
    of: dict[str, str] = {}

    def head(region: str) -> str:
        while of.setdefault(region, region) != region:
            region = of[region]
        return region

    first: dict[str, str] = {}
    for site, region in rows:
        one, other = sorted((head(region), head(first.setdefault(site, region))))
        of[other] = one
    return {region: head(region) for region in of}


def divide(weights: Mapping[str, int], present: Mapping[str, int], parts: int) -> dict[str, int]:
    """The part of each group of regions.

    Args:
        weights: how many transmitters each group has.
        present: the parts that groups have so far; those that are not in it are new.
        parts: how many there are to be.

    Returns:
        Groups stay where they are as long as no part has more than 1.5 times its share and a group that could
        go; new ones go to the part that has least, the heaviest first.
    """
    load = [0] * parts
    result: dict[str, int] = {}
    for group, part in present.items():
        if group in weights and part < parts:
            result[group] = part
            load[part] += weights[group]
    for group in sorted(weights, key=lambda g: (-weights[g], g)):
        if group not in result:
            result[group] = load.index(min(load))
            load[result[group]] += weights[group]
    most = 1.5 * sum(weights.values()) / parts
    while max(load) > most:
        heavy, light = load.index(max(load)), load.index(min(load))
        could_go = [
            g for g, part in result.items() if part == heavy and load[light] + weights[g] < load[heavy]
        ]
        if not could_go:
            break
        group = max(could_go, key=lambda g: (weights[g], g))
        result[group] = light
        load[heavy] -= weights[group]
        load[light] += weights[group]
    return result


# Handing over -------------------------------------------------------------------------------------------


def settle(
    connection: Connection, part: int, rows: Sequence[InventoryRow], taken_mark: str, layout: str
) -> Share:
    """Bring what a part has up to date: let go of what is others' by now, take up what is its own.

    Args:
        connection: a writing transaction, fenced by the part's claim.
        part: its number.
        rows: the site list.
        taken_mark: the mark about the history, of the first part.
        layout: layout of the detectors' records, for a part that begins.
    """
    parts = max(1, mark_values(connection, PARTS_MARK)[0])
    if parts == 1 and part == 0 and not _any_divided(connection):
        return Share()
    _lock(connection)
    regions = _divided(connection, rows, parts)
    mine = load_progress(connection, watch_name(part)) or _hindmost(connection, layout)
    moved = _let_go(connection, part, rows, regions, mine)
    for other in _without_progress(connection):
        # One that begins does so where the one is that lets its sites go.
        save_progress(connection, watch_name(other), mine)
        taken = mark_values(connection, history_mark_of(part, taken_mark))[0]
        upsert(connection, tables.marks, [{"name": history_mark_of(other, taken_mark), "value": taken}])
        moved = True
    if moved:
        _moved(connection)
    return _share(connection, part, regions, mine)


def _any_divided(connection: Connection) -> bool:
    return connection.execute(select(tables.watch_sites.c.site).limit(1)).first() is not None


def _divided(connection: Connection, rows: Sequence[InventoryRow], parts: int) -> dict[str, int]:
    """The part of each region, kept; also of those that are on the site list no more."""
    kept = {r.region: int(r.part) for r in connection.execute(select(tables.watch_regions).with_for_update())}
    group_of = regions_together((row.site, row.region or "") for row in rows)
    weights = Counter(group_of[row.region or ""] for row in rows)
    present = {group: kept[region] for region, group in sorted(group_of.items()) if region in kept}
    of_group = divide(weights, present, parts)
    wanted = {region: of_group[group] for region, group in group_of.items()}
    gone = {region: min(part, parts - 1) for region, part in kept.items() if region not in wanted}
    wanted |= gone
    changed = [{"region": r, "part": p} for r, p in sorted(wanted.items()) if kept.get(r) != p]
    upsert(connection, tables.watch_regions, changed)
    return wanted


def _let_go(
    connection: Connection,
    part: int,
    rows: Sequence[InventoryRow],
    regions: Mapping[str, int],
    mine: Progress,
) -> bool:
    """Give new sites to their parts, and those of this part that are others' to them; whether any went."""
    columns = tables.watch_sites.c
    has = {r.site: r for r in connection.execute(select(tables.watch_sites))}
    wanted = {row.site: regions[row.region or ""] for row in reversed(rows)}
    note = {"arrival": mine.arrival, "until_us": mine.until_us, "closed_until_us": mine.closed_until_us}
    settled = dict.fromkeys(note)
    if not has:
        # All have been the first one's, which lets go of them below or, if it is not this one, when it looks.
        first = [{"site": site, "part": 0, **settled} for site in wanted]
        if first:
            connection.execute(insert(tables.watch_sites), first)
        has = {r.site: r for r in connection.execute(select(tables.watch_sites))}
        moved = True
    else:
        # No report of a site that is new was taken in before it was on the list, and so before this part
        # last looked.
        new = [{"site": s, "part": p, **note} for s, p in wanted.items() if s not in has]
        if new:
            connection.execute(insert(tables.watch_sites), new)
        moved = bool(new)
    going: dict[int, list[str]] = {}
    last = max(0, max(regions.values(), default=0))
    for site, row in has.items():
        # Of a site that is off the list its alarms are still to be ended.
        to = wanted.get(site, min(int(row.part), last))
        if int(row.part) == part and row.arrival is None and to != part:
            going.setdefault(to, []).append(site)
    for to, sites in going.items():
        connection.execute(update(tables.watch_sites).where(columns.site.in_(sites)).values(part=to, **note))
    return moved or bool(going)


def _hindmost(connection: Connection, layout: str) -> Progress:
    """Where a part begins: none has gone past the first report of a site that is not shared out yet."""
    progress = tables.watch_progress
    row = connection.execute(select(progress).order_by(progress.c.arrival).limit(1)).one_or_none()
    if row is None:
        return Progress(0, 0, 0, layout)
    return Progress(row.arrival, row.until_us, row.closed_until_us, row.layout)


def _without_progress(connection: Connection) -> set[int]:
    """Parts that have sites and have not begun."""
    columns = tables.watch_sites.c
    has = {int(part) for part in connection.execute(select(columns.part).distinct()).scalars()}
    begun = set(connection.execute(select(tables.watch_progress.c.watch)).scalars())
    return {part for part in has if watch_name(part) not in begun}


def _share(connection: Connection, part: int, regions: Mapping[str, int], mine: Progress) -> Share:
    columns = tables.watch_sites.c
    sites: set[str] = set()
    handed: dict[str, Handed] = {}
    waits: set[tuple[int, int]] = set()
    for row in connection.execute(select(tables.watch_sites).where(columns.part == part)):
        if row.arrival is None:
            sites.add(row.site)
        elif row.arrival <= mine.arrival and row.until_us <= mine.until_us:
            sites.add(row.site)
            handed[row.site] = Handed(int(row.arrival), int(row.until_us), int(row.closed_until_us))
        else:
            waits.add((int(row.arrival), int(row.until_us)))
    if part and not sites and not waits:
        # It would hold up what is said of how far all have come.
        connection.execute(
            delete(tables.watch_progress).where(tables.watch_progress.c.watch == watch_name(part))
        )
    return Share(
        part,
        frozenset(sites),
        frozenset(region for region, of in regions.items() if of == part),
        handed,
        frozenset(waits),
    )


def taken_up(connection: Connection, part: int, sites: Iterable[str]) -> None:
    """Note that a part goes on with sites that were handed to it, in the transaction of its first pass."""
    columns = tables.watch_sites.c
    connection.execute(
        update(tables.watch_sites)
        .where(columns.part == part, columns.site.in_(sorted(sites)))
        .values(arrival=None, until_us=None, closed_until_us=None)
    )


def least_arrival(connection: Connection) -> int:
    """The last arrival that all parts of the watch have judged; 0 before the first pass."""
    return int(
        connection.execute(select(func.coalesce(func.min(tables.watch_progress.c.arrival), 0))).scalar_one()
    )
