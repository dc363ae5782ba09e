"""The match of a transmitter now, in words: what an alarm says is as of its last change."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition
from standingwatch.web import words
from standingwatch.web.desk import DeskAlarm
from standingwatch.web.fleet_now import FleetNow
from standingwatch.web.roster import RosterCache

#: Conditions whose words tell no match and no power: where nothing comes in, there is no "now" either.
_WITHOUT = frozenset({Condition.REPORTS_MISSING, Condition.SITE_UNREACHABLE})


def present_of(
    connection: Connection, cache: RosterCache, now_us: int, alarms: Iterable[DeskAlarm]
) -> dict[AlarmKey, str]:
    """What the newest readings say of the transmitter that each alarm is about, in words.

    Args:
        connection: one reading transaction.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
        alarms: which; those about groups, regions or the service itself have no reading of their own.

    Returns:
        By alarm. One that has ended, or whose transmitter has no reading, is not in it.
    """
    wanted = [one.alarm.key for one in alarms if not one.alarm.is_cleared]
    wanted = [key for key in wanted if key.transmitter and key.condition not in _WITHOUT]
    if not wanted:
        return {}
    now = cache.fleet.now(connection, cache.roster(connection), now_us)
    at = _positions(now, {key.site for key in wanted})
    found = {key: _in_words(now, at[key.site, key.transmitter]) for key in wanted if _is_listed(key, at)}
    return {key: text for key, text in found.items() if text}


def _is_listed(key: AlarmKey, at: Mapping[tuple[str, str], int]) -> bool:
    return (key.site, key.transmitter) in at


def _positions(now: FleetNow, sites: set[str]) -> dict[tuple[str, str], int]:
    """The position of each transmitter of some sites, by site and name."""
    roster, fleet = now.roster, now.roster.fleet
    places = [roster.site_position[site] for site in sites if site in roster.site_position]
    return {
        (fleet.site[position], fleet.transmitter[position]): position
        for place in places
        for position in roster.members[place].tolist()
    }


def _in_words(now: FleetNow, position: int) -> str:
    """The newest reading of the match: both ends, what is put out, and when; "" where none is known."""
    if not now.match_us[position] or not np.isfinite(now.rho[position]):
        return ""
    parts = [f"SWR {words.swr(float(now.swr[position]))}"]
    antenna = float(now.swr_at_antenna[position])
    if not np.isnan(antenna):
        parts.append(f"{words.swr(antenna)} at the antenna")
    parts.append(f"return loss {words.decibels(float(now.return_loss_db[position]))}")
    parts.append(f"{words.watts(float(now.forward_w[position]))} forward")
    time_us = int(now.match_us[position])
    when = (
        f"in the hour from {words.utc_minute(time_us)}"
        if now.match_in_hour[position]
        else words.ago(now.now_us, time_us)
    )
    return f"{', '.join(parts)}; {when}"
