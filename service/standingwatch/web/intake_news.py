"""Whether what the pages show is fresh: what the intake said last, and what to do when it is silent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sqlalchemy import Connection

from standingwatch.readings.fleet import FloatArray
from standingwatch.store.board import IntakeState, intake_state
from standingwatch.web.roster import RosterCache

#: With nothing received for so long the board says that it is old.
OLD_US = 600_000_000

#: Reports count as having stopped when none came for so many of the shortest interval, if that is longer.
INTERVALS = 3

Kind = Literal["fresh", "no-sites", "waiting", "cut-off", "silent"]


@dataclass(frozen=True)
class IntakeNews:
    """How fresh the data is.

    Attributes:
        kind: "fresh"; "no-sites", nothing is on the site list; "waiting", no report has come yet; "cut-off",
            the intake itself has not moved; "silent", the intake moves but no report comes.
        lag_us: age of the intake's horizon [microseconds], None before it has said.
        received_us: when the newest report came [Unix microseconds], None before the first.
        horizon_us: up to when everything sent has been kept [Unix microseconds], None before it has said.
    """

    kind: Kind
    lag_us: int | None
    received_us: int | None
    horizon_us: int | None


def intake_news(state: IntakeState, expected_interval_s: FloatArray, now_us: int) -> IntakeNews:
    """How fresh the data is.

    Args:
        state: what the intake has said.
        expected_interval_s: time between reports of each transmitter [s].
        now_us: now [Unix microseconds].
    """
    horizon_us = state.horizon.until_us if state.horizon is not None else None
    lag_us = None if horizon_us is None else max(0, now_us - horizon_us)
    kind: Kind = "fresh"
    if len(expected_interval_s) == 0:
        kind = "no-sites"
    elif state.received_us is None:
        kind = "waiting"
    elif lag_us is None or lag_us > OLD_US:
        kind = "cut-off"
    elif now_us - state.received_us > max(OLD_US, INTERVALS * 1e6 * float(expected_interval_s.min())):
        kind = "silent"
    return IntakeNews(kind, lag_us, state.received_us, horizon_us)


def news_now(connection: Connection, cache: RosterCache, now_us: int) -> IntakeNews:
    """How fresh the data is, for a page that shows how things stand now.

    Args:
        connection: one reading transaction.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
    """
    fleet = cache.roster(connection).fleet
    return intake_news(intake_state(connection), fleet.expected_interval_s, now_us)
