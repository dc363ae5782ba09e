"""Parts of the watch: which of several has a site, and how sites go from one to another without a gap.

Parts are made of whole regions, since a region's weather and groups need all of its transmitters; regions
that share a site go together. A region keeps its part until the number of parts changes or others have
grown apart, so that sites seldom move.

Where sites are to go elsewhere all parts meet: none goes further than the one that has come furthest, and
when all stand there, to the arrival and to the microsecond, sites change hands in one transaction. So a
site's new part goes on exactly where its old one stopped, with the site's own records, and nothing is judged
twice or left out. A pass that began before a meeting was called commits nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, delete, func, select, text, update

from standingwatch.inventory import InventoryRow
from standingwatch.store import tables
from standingwatch.store.reports import upsert
from standingwatch.store.watching import Progress, save_progress

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


class DivisionChangedError(Exception):
    """Sites have changed hands, or are to, since a pass began."""


@dataclass(frozen=True)
class Share:
    """What a part has.

    Attributes:
        part: its number; the first one has the alarms about the service itself, too.
        sites: its sites; None for all.
        regions: regions whose alarms are its own.
        meeting: arrival and time judged up to [Unix microseconds] at which all parts meet, and that none goes
            past before; None where sites stay.
    """

    part: int = 0
    sites: frozenset[str] | None = None
    regions: frozenset[str] = frozenset()
    meeting: tuple[int, int] | None = None

    @property
    def is_whole(self) -> bool:
        """Whether there are no other parts."""
        return self.sites is None

    @property
    def is_idle(self) -> bool:
        """Whether it has nothing to do: it would only hold up what is said of how far all have come."""
        return self.part > 0 and not self.sites

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
    """Let nobody commit a pass, or change the division, before this transaction ends."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": PARTS_LOCK})


def hold_division(connection: Connection, seen: tuple[int, ...]) -> None:
    """Make sure that sites are where they were when a pass began, until this transaction has ended.

    Args:
        connection: the transaction that commits the pass.
        seen: values of `PARTS_MARK` and `SITES_MARK` then.

    Raises:
        DivisionChangedError: they are not.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock_shared(:key)"), {"key": PARTS_LOCK})
    if mark_values(connection, PARTS_MARK, SITES_MARK) != seen:
        raise DivisionChangedError


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
    while True:
        light = load.index(min(load))
        # Of any part that has too much: the heaviest may have one group alone, and another as much with many.
        could_go = [
            g for g, part in result.items() if load[part] > most and load[light] + weights[g] < load[part]
        ]
        if not could_go:
            return result
        group = max(could_go, key=lambda g: (load[result[g]], weights[g], g))
        load[result[group]] -= weights[group]
        load[light] += weights[group]
        result[group] = light


# Meeting ------------------------------------------------------------------------------------------------

#: Marks that say where all parts meet; both 0 where no meeting is called.
_MEETING = ("watch-meeting-arrival", "watch-meeting-until")


def settle(
    connection: Connection, part: int, rows: Sequence[InventoryRow], taken_mark: str, layout: str
) -> Share:
    """Bring the division up to date with the site list: call a meeting, or end one at which all have come.

    Args:
        connection: a writing transaction, fenced by the part's claim.
        part: its number.
        rows: the site list.
        taken_mark: the mark about the history, of the first part.
        layout: layout of the detectors' records, for a part that begins.

    Returns:
        What the part has now.
    """
    parts = max(1, mark_values(connection, PARTS_MARK)[0])
    if parts == 1 and part == 0 and not _any_divided(connection):
        return Share()
    _lock(connection)
    regions = {r.region: int(r.part) for r in connection.execute(select(tables.watch_regions))}
    sites = {r.site: int(r.part) for r in connection.execute(select(tables.watch_sites))}
    if not sites:
        # All have been the first one's so far.
        regions = dict.fromkeys({row.region or "" for row in rows}, 0)
        sites = {row.site: 0 for row in rows}
        _keep(connection, regions, sites)
        _moved(connection)
    wanted = _wanted(regions, rows, parts)
    # Nobody has gone past the first report of what is new: it goes where it belongs at once.
    new_regions = {region: of for region, of in wanted.items() if region not in regions}
    regions |= new_regions
    new_sites = {row.site: regions[row.region or ""] for row in reversed(rows) if row.site not in sites}
    sites |= new_sites
    if new_regions or new_sites:
        _keep(connection, new_regions, new_sites)
        _moved(connection)
    goes = {row.site: wanted[row.region or ""] for row in reversed(rows)}
    goes |= {site: min(of, parts - 1) for site, of in sites.items() if site not in goes}
    meeting = meeting_of(connection)
    if (regions, sites) != (wanted, goes):
        if meeting is None:
            meeting = _call_meeting(connection)
            _moved(connection)
        if all_have_met(connection, meeting):
            _keep(connection, wanted, goes)
            # One that has never had a reading has closed no hours by itself.
            columns = tables.watch_progress.c
            latest = select(func.max(columns.closed_until_us)).scalar_subquery()
            connection.execute(update(tables.watch_progress).values(closed_until_us=latest))
            _set_meeting(connection, (0, 0))
            _moved(connection)
            regions, sites, meeting = wanted, goes, None
    elif meeting is not None:
        # What it was called for is as it was before.
        _set_meeting(connection, (0, 0))
        _moved(connection)
        meeting = None
    _begin_and_end(connection, set(sites.values()), taken_mark, layout)
    return Share(
        part,
        frozenset(site for site, of in sites.items() if of == part),
        frozenset(region for region, of in regions.items() if of == part),
        meeting,
    )


def meeting_of(connection: Connection) -> tuple[int, int] | None:
    """Arrival and time at which all parts meet; None where no meeting is called."""
    arrival, until_us = mark_values(connection, *_MEETING)
    return (arrival, until_us) if arrival or until_us else None


def all_have_met(connection: Connection, meeting: tuple[int, int]) -> bool:
    """Whether all parts stand where they were to meet."""
    columns = tables.watch_progress.c
    return all(
        (row.arrival, row.until_us) == meeting
        for row in connection.execute(select(columns.arrival, columns.until_us))
    )


def _any_divided(connection: Connection) -> bool:
    return connection.execute(select(tables.watch_sites.c.site).limit(1)).first() is not None


def _keep(connection: Connection, regions: Mapping[str, int], sites: Mapping[str, int]) -> None:
    upsert(connection, tables.watch_regions, [{"region": r, "part": p} for r, p in sorted(regions.items())])
    upsert(connection, tables.watch_sites, [{"site": s, "part": p} for s, p in sorted(sites.items())])


def _wanted(regions: Mapping[str, int], rows: Sequence[InventoryRow], parts: int) -> dict[str, int]:
    """The part that each region is to have; also those that are on the site list no more."""
    group_of = regions_together((row.site, row.region or "") for row in rows)
    weights = Counter(group_of[row.region or ""] for row in rows)
    present = {group: regions[region] for region, group in sorted(group_of.items()) if region in regions}
    of_group = divide(weights, present, parts)
    gone = {region: min(of, parts - 1) for region, of in regions.items()}
    return gone | {region: of_group[group] for region, group in group_of.items()}


def _call_meeting(connection: Connection) -> tuple[int, int]:
    """Have all meet where the one is that has come furthest; nobody can have gone on meanwhile."""
    columns = tables.watch_progress.c
    row = connection.execute(select(func.max(columns.arrival), func.max(columns.until_us))).one()
    meeting = (int(row[0] or 0), int(row[1] or 0))
    _set_meeting(connection, meeting)
    return meeting


def _set_meeting(connection: Connection, meeting: tuple[int, int]) -> None:
    values = zip(_MEETING, meeting, strict=True)
    upsert(connection, tables.marks, [{"name": name, "value": value} for name, value in values])


def _begin_and_end(connection: Connection, parts: set[int], taken_mark: str, layout: str) -> None:
    """Let parts that have their first sites begin where the hindmost is, and those without any end.

    At a meeting all are at one place; otherwise a part begins with sites that nobody has gone past.
    """
    progress = {
        row.watch: Progress(row.arrival, row.until_us, row.closed_until_us, row.layout)
        for row in connection.execute(select(tables.watch_progress))
    }
    begun = [number for number in parts if watch_name(number) in progress]
    hindmost = min(progress.values(), key=lambda p: p.arrival, default=Progress(0, 0, 0, layout))
    for number in parts - set(begun):
        save_progress(connection, watch_name(number), hindmost)
        marks = [history_mark_of(other, taken_mark) for other in begun]
        taken = max(mark_values(connection, *marks), default=0) if marks else 0
        upsert(connection, tables.marks, [{"name": history_mark_of(number, taken_mark), "value": taken}])
    idle = set(progress) - {watch_name(number) for number in parts | {0}}
    if idle:
        connection.execute(
            delete(tables.watch_progress).where(tables.watch_progress.c.watch.in_(sorted(idle)))
        )
