"""What the page of the intake shows: whether it keeps up, what it refused, who is unknown or silent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection

from standingwatch.readings import decode_report
from standingwatch.readings.plausible import doubt_sentence
from standingwatch.store.board import intake_state, refused_examples
from standingwatch.store.clocks import SiteClock, remarkable_clocks
from standingwatch.store.intake_pages import Rate, RefusedReason, rates, refused_reasons, unlisted_topics
from standingwatch.store.reports import RefusedReport
from standingwatch.web.intake_accept import Unlisted, unlisted_of
from standingwatch.web.intake_news import IntakeNews, intake_news
from standingwatch.web.roster import RosterCache

#: Refused reports of each reason that are shown whole.
EXAMPLES = 3

#: Unknown senders that are listed.
MOST_UNLISTED = 100

#: Sites on a page of who was heard when.
HEARD_A_PAGE = 50

#: Clocks that are shown.
MOST_CLOCKS = 50

#: Transmitters whose unit is asked about that are shown.
MOST_DOUBTS = 50

#: Times that rates are told for [us].
SPANS_US = (60_000_000, 600_000_000, 3_600_000_000)


@dataclass(frozen=True)
class HeardSite:
    """When a site was last heard.

    Attributes:
        site, title, region: its name, what people call it, where it lies.
        report_us: when the newest of its reports was measured [Unix microseconds], 0 for never.
        in_hour: it is known only that the time lies in the hour from there.
        late, transmitters: how many of its transmitters are overdue, of how many.
    """

    site: str
    title: str
    region: str
    report_us: int
    in_hour: bool
    late: int
    transmitters: int


@dataclass(frozen=True)
class Doubt:
    """A transmitter whose powers can hardly be in watts, and what to ask of it."""

    site: str
    transmitter: str
    text: str


@dataclass(frozen=True)
class IntakeView:
    """The intake at one moment.

    Attributes:
        reasons: why reports wait, each with some whole; the most frequent reason first.
        refused: how many wait in all.
        unlisted: who reports without being listed.
        heard: a page of the sites, longest silent first; `page` of `pages`.
        late_sites: how many sites have an overdue transmitter.
        clocks: clocks that are off, drift or jumped, those that are off first; `clocks_off` are off.
        doubts: whose powers can hardly be in watts, the first of `doubted`.
    """

    now_us: int
    news: IntakeNews
    rates: tuple[Rate, ...]
    reasons: tuple[tuple[RefusedReason, tuple[RefusedReport, ...]], ...]
    refused: int
    unlisted: tuple[Unlisted, ...]
    heard: tuple[HeardSite, ...]
    page: int
    pages: int
    late_sites: int
    clocks: tuple[SiteClock, ...]
    clocks_off: int
    doubts: tuple[Doubt, ...]
    doubted: int


def intake_view(connection: Connection, cache: RosterCache, now_us: int, page: int = 1) -> IntakeView:
    """The page of the intake.

    Args:
        connection: one reading transaction.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
        page: of the sites, counted from 1.
    """
    roster = cache.roster(connection)
    now, fleet = cache.fleet.now(connection, roster, now_us), roster.fleet
    sites = len(fleet.site_names)
    newest_us = np.zeros(sites, dtype=np.int64)
    np.maximum.at(newest_us, fleet.site_of, now.report_us)
    late = np.bincount(fleet.site_of[now.is_late], minlength=sites)
    in_hour = np.ones(sites, dtype=np.bool_)
    in_hour[fleet.site_of[~now.report_in_hour]] = False
    order = np.lexsort((np.arange(sites), newest_us))
    pages = max(1, -(-sites // HEARD_A_PAGE))
    page = min(page, pages)
    reasons = refused_reasons(connection)
    doubted = np.flatnonzero(now.unit_doubts)
    found = [unlisted_of(connection, roster, told) for told in unlisted_topics(connection, MOST_UNLISTED)]
    remarkable = remarkable_clocks(connection, fleet.site_names)
    return IntakeView(
        now_us=now_us,
        news=intake_news(intake_state(connection), fleet.expected_interval_s, now_us),
        rates=tuple(rates(connection, now_us, SPANS_US)),
        reasons=tuple((one, tuple(refused_examples(connection, one.reason, EXAMPLES))) for one in reasons),
        refused=sum(one.count for one in reasons),
        unlisted=tuple(one for one in found if one is not None),
        heard=tuple(
            HeardSite(
                fleet.site_names[site],
                roster.site_title(site),
                roster.site_region(site),
                int(newest_us[site]),
                bool(in_hour[site]),
                int(late[site]),
                len(roster.members[site]),
            )
            for site in order[(page - 1) * HEARD_A_PAGE : page * HEARD_A_PAGE].tolist()
        ),
        page=page,
        pages=pages,
        late_sites=int(np.count_nonzero(late)),
        clocks=remarkable[:MOST_CLOCKS],
        clocks_off=sum(one.is_off for one in remarkable),
        doubts=tuple(
            Doubt(
                fleet.site[at],
                fleet.transmitter[at],
                doubt_sentence(
                    int(now.unit_doubts[at]), float(now.report_forward_w[at]), float(fleet.rated_power_w[at])
                ),
            )
            for at in doubted[:MOST_DOUBTS].tolist()
        ),
        doubted=len(doubted),
    )


def tried(payload: str, now_us: int) -> tuple[list[dict[str, object]], list[str]]:
    """What the intake would make of a payload: its readings, and why the rest is refused."""
    decoded = decode_report(payload.encode("utf-8", "replace"), now_us, time_if_absent="refuse")
    readings = [
        {name: value for name, value in one._asdict().items() if value is not None}
        for one in decoded.readings
    ]
    return readings, [f"{one.reason}: {one.detail}" for one in decoded.refusals]
