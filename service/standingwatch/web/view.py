"""What the board shows, worked out from the store in one view of its data: sites worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Severity
from standingwatch.readings import IntArray
from standingwatch.readings.flags import Flag
from standingwatch.readings.fleet import Fleet, FloatArray
from standingwatch.rf import is_passive, return_loss_db_from_rho, rho_at_antenna, swr_from_rho
from standingwatch.store.alarming import standing_alarms
from standingwatch.store.board import board_frame, intake_state
from standingwatch.web import words
from standingwatch.web.desk import Desk, DeskAlarm
from standingwatch.web.intake_news import IntakeNews, intake_news
from standingwatch.web.roster import TREND_DAYS, Roster, RosterCache
from standingwatch.web.sparkline import sparkline

#: Sites on one page of the board.
SITES_A_PAGE = 50

#: A report is marked as late after so many of its intervals; whether that is an alarm the watch decides.
LATE_INTERVALS = 3


@dataclass(frozen=True)
class Choice:
    """Which sites a person asks for.

    Attributes:
        severity: only sites with a standing alarm at least this grave; None for all.
        region: only those of this region; "" for all.
        text: only those with this in a name, region or standing condition; case does not matter; "" for all.
        page: counted from 1.
        site: only the site of exactly this name; "" for all.
    """

    severity: Severity | None = None
    region: str = ""
    text: str = ""
    page: int = 1
    site: str = ""

    @property
    def narrows(self) -> bool:
        """Whether it leaves anything out."""
        return self.severity is not None or bool(self.region) or bool(self.text)


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


def board_view(connection: Connection, cache: RosterCache, now_us: int, choice: Choice) -> BoardView:
    """The board, with the sites of one page.

    Args:
        connection: one reading transaction, so that all figures belong together.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
        choice: which sites.
    """
    roster, trends, _ = cache.trends(connection, now_us)
    fleet = roster.fleet
    frame = board_frame(connection, fleet.key, now_us)
    standing = Desk(connection, roster, now_us).sees(standing_alarms(connection))
    by_name: dict[tuple[str, str], list[DeskAlarm]] = {}
    for one in standing:
        by_name.setdefault((one.alarm.key.site, one.alarm.key.transmitter), []).append(one)
    of_regions = [one for one in standing if one.alarm.key.region]
    in_region: dict[str, list[DeskAlarm]] = {}
    for one in of_regions:
        for name in sites_of(one.alarm):
            in_region.setdefault(name, []).append(one)
    severity = _site_severity(fleet, standing)
    levels = match_levels(fleet, frame)
    order = _worst_first(fleet, severity, levels["swr"] - levels["baseline_swr"])
    chosen = order[_is_chosen(roster, severity, standing, choice)[order]]
    pages = max(1, -(-len(chosen) // SITES_A_PAGE))
    page = min(choice.page, pages)
    shown = chosen[(page - 1) * SITES_A_PAGE : page * SITES_A_PAGE]
    heard = frame["report_us"].to_numpy() > now_us - HOUR_US
    rows = _Rows(fleet, frame, levels, trends, by_name, now_us)
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
                transmitters=tuple(rows.of(position) for position in roster.members[site].tolist()),
            )
            for site in shown.tolist()
        ),
        sites_in_all=len(fleet.site_names),
        sites_chosen=len(chosen),
        pages=pages,
        transmitters_in_all=len(fleet),
        sites_heard=len(np.unique(fleet.site_of[heard])),
        transmitters_heard=int(heard.sum()),
        alarm_counts={
            level: sum(one.alarm.severity == level for one in standing) for level in words.GRAVEST_FIRST
        },
        region_alarms=tuple(one for one in of_regions if _is_region_chosen(one.alarm, choice)),
        service_alarms=tuple(one for one in standing if one.alarm.key.service),
        unseen=sum(not one.is_quiet for one in standing),
        shelved=sum(one.handling.is_shelved for one in standing),
        regions=roster.regions,
    )


def sites_of(alarm: Alarm) -> set[str]:
    """Names of the sites that an alarm is about; those of its members where it is about a region."""
    if alarm.key.region:
        return {member.partition("/")[0] for member in alarm.members}
    return {alarm.key.site}


def _is_region_chosen(alarm: Alarm, choice: Choice) -> bool:
    """Whether a choice keeps an alarm about a region."""
    key = alarm.key
    texts = [key.region, key.condition.value, words.condition(key.condition), *alarm.members]
    return (
        (not choice.site or choice.site in sites_of(alarm))
        and (choice.severity is None or alarm.severity >= choice.severity)
        and (not choice.region or choice.region == key.region)
        and choice.text.casefold() in "\n".join(texts).casefold()
    )


def view_of_site(connection: Connection, cache: RosterCache, now_us: int, site: str) -> BoardView:
    """The board with one site on it, which has to be on the site list."""
    return board_view(connection, cache, now_us, Choice(site=site))


def match_levels(fleet: Fleet, frame: pd.DataFrame) -> dict[str, FloatArray]:
    """SWR at both ends of the feeder, return loss [dB], and the SWR of the baseline, per transmitter."""
    rho = frame["rho"].to_numpy(dtype=np.float64)
    antenna = rho_at_antenna(rho, fleet.feeder_loss_db)
    return {
        "swr": swr_from_rho(rho),
        # Above 1 the feeder loss on the site list does not fit the reading: better nothing than wrong.
        "swr_at_antenna": swr_from_rho(np.where(is_passive(antenna), antenna, np.nan)),
        "return_loss_db": return_loss_db_from_rho(rho),
        "baseline_swr": swr_from_rho(frame["baseline_rho"].to_numpy(dtype=np.float64)),
    }


def _site_severity(fleet: Fleet, standing: Sequence[DeskAlarm]) -> IntArray:
    """Number of the gravest standing alarm of each site, `CLEARED` where there is none."""
    position = {name: i for i, name in enumerate(fleet.site_names)}
    severity = np.full(len(position), int(Severity.CLEARED), dtype=np.int64)
    for one in standing:
        for name in sites_of(one.alarm):
            site = position.get(name)
            if site is not None:
                severity[site] = max(severity[site], int(one.alarm.severity))
    return severity


def _worst_first(fleet: Fleet, severity: IntArray, excess: FloatArray) -> IntArray:
    """Positions of the sites: gravest alarm first, then SWR farthest over its baseline, then as listed."""
    most = np.full(len(severity), -np.inf)
    np.fmax.at(most, fleet.site_of, excess)
    return np.lexsort((np.arange(len(severity)), -most, -severity))


def _is_chosen(
    roster: Roster, severity: IntArray, standing: Sequence[DeskAlarm], choice: Choice
) -> np.typing.NDArray[np.bool_]:
    """Which sites a choice keeps."""
    sites = len(severity)
    keep = np.ones(sites, dtype=np.bool_)
    if choice.site:
        keep[:] = False
        keep[roster.fleet.site_names.index(choice.site)] = True
    if choice.severity is not None:
        keep &= severity >= int(choice.severity)
    if choice.region:
        keep &= np.array([roster.site_region(site) == choice.region for site in range(sites)], dtype=np.bool_)
    if choice.text:
        wanted = choice.text.casefold()
        conditions: dict[str, list[str]] = {}
        for one in standing:
            condition = one.alarm.key.condition
            for site_name in sites_of(one.alarm):
                conditions.setdefault(site_name, []).extend([condition.value, words.condition(condition)])
        names = roster.fleet.site_names
        for site in np.flatnonzero(keep).tolist():
            texts = [names[site], roster.site_title(site), roster.site_region(site)]
            texts += [roster.fleet.transmitter[i] for i in roster.members[site].tolist()]
            texts += conditions.get(names[site], [])
            keep[site] = wanted in "\n".join(texts).casefold()
    return keep


class _Rows:
    """Makes the row of a transmitter from columns that were worked out for the whole fleet."""

    def __init__(
        self,
        fleet: Fleet,
        frame: pd.DataFrame,
        levels: dict[str, FloatArray],
        trends: FloatArray,
        by_name: dict[tuple[str, str], list[DeskAlarm]],
        now_us: int,
    ) -> None:
        self._fleet, self._by_name = fleet, by_name
        self._trends = swr_from_rho(trends)
        late_us = now_us - LATE_INTERVALS * 1e6 * fleet.expected_interval_s
        late_us = late_us - HOUR_US * frame["report_in_hour"]
        # Lists of plain numbers: reading them one by one out of arrays takes several times as long.
        self._columns: dict[str, list[Any]] = {
            **{name: frame[name].tolist() for name in frame.columns},
            **{name: values.tolist() for name, values in levels.items()},
            "frequency_mhz": fleet.frequency_mhz.tolist(),
            "is_late": (frame["report_us"] < late_us).tolist(),
        }

    def of(self, position: int) -> TransmitterRow:
        """The row of the transmitter at a position of the fleet."""
        at = {name: values[position] for name, values in self._columns.items()}
        fleet = self._fleet
        name = fleet.transmitter[position]
        return TransmitterRow(
            name=name,
            frequency_mhz=at["frequency_mhz"],
            swr=at["swr"],
            swr_at_antenna=at["swr_at_antenna"],
            return_loss_db=at["return_loss_db"],
            baseline_swr=at["baseline_swr"],
            baseline_kind=at["baseline_kind"],
            forward_w=at["forward_w"],
            match_us=at["match_us"],
            match_in_hour=at["match_in_hour"],
            report_us=at["report_us"],
            report_in_hour=at["report_in_hour"],
            state="unknown" if at["report_in_hour"] else _state(at["flags"], at["foldback"]),
            is_late=at["is_late"],
            trend=sparkline(self._trends[position], at["baseline_swr"], TREND_DAYS),
            alarms=tuple(self._by_name.get((fleet.site[position], name), ())),
        )


def _state(flags: int, foldback: int) -> str:
    """What the newest report says of the transmitter."""
    if flags & Flag.NOT_KEYED:
        return "not keyed"
    return "folded back" if foldback == 1 else "keyed"
