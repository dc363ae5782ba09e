"""What the board shows, worked out from the store in one view of its data: sites worst first."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from markupsafe import Markup
from sqlalchemy import Connection

from standingwatch.detect.words import Severity
from standingwatch.readings import IntArray
from standingwatch.rf import swr_from_rho
from standingwatch.store.board import intake_state
from standingwatch.web import words
from standingwatch.web.choice import Choice
from standingwatch.web.choosing import in_order, is_chosen, is_region_chosen, site_severity, sites_of
from standingwatch.web.desk import Desk, DeskAlarm
from standingwatch.web.fleet_now import FleetNow
from standingwatch.web.intake_news import IntakeNews, intake_news
from standingwatch.web.look import Look
from standingwatch.web.roster import TREND_DAYS, RosterCache
from standingwatch.web.sparkline import sparkline

#: Sites on one page of the board.
SITES_A_PAGE = 50


@dataclass(frozen=True)
class TransmitterRow:
    """One transmitter on the board. NaN: a level is not known. Times: Unix microseconds, 0 for none."""

    name: str
    frequency_mhz: float
    swr: float
    swr_at_antenna: float
    return_loss_db: float
    baseline_swr: float
    baseline_kind: str
    forward_w: float
    match_us: int
    match_in_hour: bool
    report_us: int
    report_in_hour: bool
    state: str
    is_late: bool
    trend: Markup
    alarms: tuple[DeskAlarm, ...]


@dataclass(frozen=True)
class SiteRow:
    """One site on the board.

    Attributes:
        site, title, region: its name, what people call it, where it lies.
        severity: of the gravest alarm that it is in, those of its region included.
        alarms: those about the site as a whole, or about several of its transmitters together.
        region_alarms: those about a region with transmitters of this site among their members.
        transmitters: its rows.
    """

    site: str
    title: str
    region: str
    severity: Severity
    alarms: tuple[DeskAlarm, ...]
    region_alarms: tuple[DeskAlarm, ...]
    transmitters: tuple[TransmitterRow, ...]


@dataclass(frozen=True)
class BoardView:
    """The board at one moment.

    Attributes (of those that do not say it themselves):
        region_alarms: the chosen alarms about regions, gravest first.
        service_alarms: alarms about this service itself, gravest first, whatever was chosen.
        unseen, shelved: how many standing alarms nobody has acknowledged, and how many lie on a shelf.
    """

    now_us: int
    choice: Choice
    news: IntakeNews
    sites: tuple[SiteRow, ...]
    sites_in_all: int
    sites_chosen: int
    pages: int
    transmitters_in_all: int
    sites_heard: int
    transmitters_heard: int
    alarm_counts: dict[Severity, int]
    region_alarms: tuple[DeskAlarm, ...]
    service_alarms: tuple[DeskAlarm, ...] = ()
    unseen: int = 0
    shelved: int = 0
    regions: list[str] = field(default_factory=list)
    look: Look | None = None


def board_view(
    connection: Connection, cache: RosterCache, now_us: int, choice: Choice, look: Look | None = None
) -> BoardView:
    """The board, with the sites of one page.

    Args:
        connection: one reading transaction, so that all figures belong together.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
        choice: which sites.
        look: what is new since somebody's last look; None where it is not asked for.
    """
    roster = cache.roster(connection)
    now = cache.fleet.now(connection, roster, now_us)
    fleet = roster.fleet
    standing = Desk(connection, roster, now_us).sees(cache.fleet.standing(connection))
    by_name: dict[tuple[str, str], list[DeskAlarm]] = {}
    for one in standing:
        by_name.setdefault((one.alarm.key.site, one.alarm.key.transmitter), []).append(one)
    of_regions = [one for one in standing if one.alarm.key.region]
    in_region: dict[str, list[DeskAlarm]] = {}
    for one in of_regions:
        for name in sites_of(one.alarm):
            in_region.setdefault(name, []).append(one)
    severity = site_severity(roster, standing)
    order = in_order(choice.sort, now, severity, standing)
    chosen = order[is_chosen(now, severity, standing, choice)[order]]
    pages = max(1, -(-len(chosen) // SITES_A_PAGE))
    page = min(choice.page, pages)
    shown = chosen[(page - 1) * SITES_A_PAGE : page * SITES_A_PAGE]
    rows = _rows(connection, cache, now, [roster.members[site] for site in shown.tolist()], by_name)
    return BoardView(
        now_us=now_us,
        choice=replace(choice, page=page),
        news=intake_news(intake_state(connection), fleet.expected_interval_s, now_us),
        sites=tuple(
            SiteRow(
                site=fleet.site_names[site],
                title=roster.site_title(site),
                region=roster.site_region(site),
                severity=Severity(int(severity[site])),
                alarms=tuple(by_name.get((fleet.site_names[site], ""), ())),
                region_alarms=tuple(in_region.get(fleet.site_names[site], ())),
                transmitters=tuple(rows[position] for position in roster.members[site].tolist()),
            )
            for site in shown.tolist()
        ),
        sites_in_all=len(fleet.site_names),
        sites_chosen=len(chosen),
        pages=pages,
        transmitters_in_all=len(fleet),
        sites_heard=len(np.unique(fleet.site_of[now.heard])),
        transmitters_heard=int(now.heard.sum()),
        alarm_counts={
            level: sum(one.alarm.severity == level for one in standing) for level in words.GRAVEST_FIRST
        },
        region_alarms=tuple(one for one in of_regions if is_region_chosen(one.alarm, choice)),
        service_alarms=tuple(one for one in standing if one.alarm.key.service),
        unseen=sum(not one.is_quiet for one in standing),
        shelved=sum(one.handling.is_shelved for one in standing),
        regions=roster.regions,
        look=look,
    )


def view_of_site(connection: Connection, cache: RosterCache, now_us: int, site: str) -> BoardView:
    """The board with one site on it, which has to be on the site list."""
    return board_view(connection, cache, now_us, Choice(site=site))


def _rows(
    connection: Connection,
    cache: RosterCache,
    now: FleetNow,
    members: list[IntArray],
    by_name: dict[tuple[str, str], list[DeskAlarm]],
) -> dict[int, TransmitterRow]:
    """The rows of the transmitters of some sites, by their position in the fleet."""
    if not members:
        return {}
    at, fleet = np.concatenate(members), now.roster.fleet
    trends = swr_from_rho(cache.trends(connection, now.now_us, at))
    # Lists of plain numbers: reading them one by one out of arrays takes several times as long.
    names = ["swr", "swr_at_antenna", "return_loss_db", "baseline_swr", "forward_w", "match_us"]
    names += ["match_in_hour", "report_us", "report_in_hour", "is_late"]
    columns = {name: getattr(now, name)[at].tolist() for name in names}
    frequency_mhz = fleet.frequency_mhz[at].tolist()
    return {
        position: TransmitterRow(
            name=fleet.transmitter[position],
            frequency_mhz=frequency_mhz[row],
            baseline_kind=now.baseline_kind[position],
            state=now.state(position),
            trend=sparkline(trends[row], columns["baseline_swr"][row], TREND_DAYS),
            alarms=tuple(by_name.get((fleet.site[position], fleet.transmitter[position]), ())),
            **{name: values[row] for name, values in columns.items()},
        )
        for row, position in enumerate(at.tolist())
    }
