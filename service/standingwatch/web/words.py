"""Figures and times as the pages write them: no figure without its unit, no time without UTC."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

from standingwatch.alarms import words as alarm_words
from standingwatch.alarms.detail import detail
from standingwatch.alarms.first_steps import first_step as first_step_of
from standingwatch.alarms.handling import Act, Handling, OperatorState
from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.alarms.shelving import Shelf
from standingwatch.alarms.text import WHAT
from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.rf import swr_from_rho

UNKNOWN = "–"

#: Severities that an alarm on a page can have, gravest first.
GRAVEST_FIRST = (Severity.CRITICAL, Severity.MAJOR, Severity.MINOR, Severity.WARNING)

CAUSE_WORDS = {
    Cause.CONNECTOR: "connector or jumper",
    Cause.WATER: "water",
    Cause.ANTENNA_DAMAGE: "antenna damage",
    Cause.LOOSE_CONNECTION: "loose connection",
    Cause.ICE: "ice",
    Cause.FEEDER_LOSS: "feeder loss",
    Cause.AMPLIFIER: "amplifier",
    Cause.COUPLER: "coupler or meter",
    Cause.SHARED_ANTENNA_SYSTEM: "shared antenna system",
    Cause.SITE_LINK: "link of the site",
    Cause.REGIONAL_WEATHER: "weather of the region",
    Cause.UNKNOWN: "not known",
}

STATE_WORDS = {
    OperatorState.NONE: "not acknowledged",
    OperatorState.ACK: "acknowledged",
    OperatorState.CLOSED: "closed",
    OperatorState.SHELVED: "shelved",
    OperatorState.UN_SHELVED: "un-shelved",
}

ACT_WORDS = {
    Act.ACKNOWLEDGE: "acknowledged",
    Act.TAKE_BACK: "taken back",
    Act.CLOSE: "closed",
    Act.COMMENT: "commented",
    Act.ASSIGN: "assigned",
    Act.SHELVE: "shelved",
    Act.UN_SHELVE: "un-shelved",
}


def swr(value: float) -> str:
    """An SWR [1] as "1.23:1"; infinite as the sign; a dash where not known."""
    if math.isnan(value):
        return UNKNOWN
    if math.isinf(value):
        return "∞:1"
    return f"{value:.2f}:1" if value < 10 else f"{value:.0f}:1"


def decibels(value: float) -> str:
    """A level [dB] with one decimal."""
    if math.isnan(value):
        return UNKNOWN
    return f"{value:.1f} dB" if math.isfinite(value) else "∞ dB"


def watts(value: float) -> str:
    """A power [W] with about three digits."""
    if math.isnan(value):
        return UNKNOWN
    return f"{value:.0f} W" if abs(value) >= 99.5 else f"{value:.1f} W"


def megahertz(value: float) -> str:
    """A frequency [MHz]."""
    return f"{value:.4f}".rstrip("0").rstrip(".") + " MHz"


def span(microseconds: int) -> str:
    """A length of time in its largest fitting unit."""
    seconds = max(microseconds, 0) / 1e6
    for limit_s, unit_s, unit in ((90, 1, "s"), (5_400, 60, "min"), (172_800, 3_600, "h")):
        if seconds < limit_s:
            return f"{seconds / unit_s:.0f} {unit}"
    return f"{seconds / 86_400:.0f} d"


def ago(now_us: int, time_us: int) -> str:
    """How long ago a time was."""
    if time_us > now_us + 5_000_000:
        return f"in {span(time_us - now_us)}"
    return f"{span(now_us - time_us)} ago"


def moment(time_us: int) -> datetime:
    """A time [Unix microseconds] in UTC."""
    return datetime.fromtimestamp(time_us / 1e6, tz=UTC)


def utc(time_us: int) -> str:
    """A time to the second."""
    return moment(time_us).strftime("%Y-%m-%d %H:%M:%S UTC")


def utc_minute(time_us: int) -> str:
    """A time to the minute."""
    return moment(time_us).strftime("%Y-%m-%d %H:%M UTC")


def machine_time(time_us: int) -> str:
    """A time as the attribute of a `time` element wants it."""
    return moment(time_us).strftime("%Y-%m-%dT%H:%M:%SZ")


def condition(word: str) -> str:
    """What a condition is called in a sentence."""
    return WHAT[Condition(word)]


def operator_state(handling: Handling) -> str:
    """An operator state (RFC 8632) as a page says it."""
    return STATE_WORDS[handling.state]


def place(key: AlarmKey) -> str:
    """What an alarm is about, in a few words, its members left out."""
    return alarm_words.where(key, ())


def takes(shelf: Shelf) -> str:
    """Which alarms a shelf takes: "site S001, condition swr-high; up to major"."""
    pairs = (
        ("region", shelf.region),
        ("site", shelf.site),
        ("transmitter", shelf.transmitter),
        ("condition", shelf.condition),
    )
    named = ", ".join(f"{what} {name}" for what, name in pairs if name)
    return f"{named or 'any alarm'}; up to {shelf.up_to.word}"


def members(alarm: Alarm) -> str:
    """Who is in the group that an alarm is about: "3 transmitters: a1, a2, a3"; "" for no group."""
    return alarm_words.member_list(alarm.key, alarm.members) if alarm.members else ""


def says(alarm: Alarm) -> str:
    """What an alarm says in figures, as of its last change; what stands beside it on a page is left out."""
    told = detail(alarm.key.condition, alarm.values)
    line = alarm.values.get("antenna_line")
    parts = [f"Antenna line: {line}." if alarm.members and isinstance(line, str) and line else ""]
    # A group's figures are those of the member that was judged last.
    parts.append(f"One of them: {told}" if alarm.members and told else told)
    return " ".join(part for part in parts if part)


def first_step(alarm: Alarm) -> str:
    """What to do first about a standing alarm."""
    return first_step_of(alarm.key.condition, alarm.severity, is_group=bool(alarm.members))


def headline(text: str) -> tuple[str, str]:
    """The text of a change in two: its first sentence, which ends with a time, and the rest; "" for none."""
    first, end, rest = text.partition(" UTC.")
    return (first + end, rest.strip()) if end else (text, "")


def grave_outlooks(forecast: Sequence[LimitForecast], now_us: int) -> list[str]:
    """When the limits that matter most are reached, a line each; of no others where those are known."""
    return [limit_outlook(f, now_us) for f in alarm_words.told_first(forecast)]


def nearest_limit(forecast: Sequence[LimitForecast], now_us: int) -> str:
    """The limit that is reached next, and about when; "" where nothing has a date."""
    found = alarm_words.nearest(forecast, now_us)
    if found is None or found.expected_us is None:
        return ""
    was = "was expected " if found.expected_us < now_us else ""
    return f"{alarm_words.limit_name(found)} {was}about {alarm_words.day(found.expected_us)}"


def limit_outlook(forecast: LimitForecast, now_us: int) -> str:
    """When one limit is reached, without a verb: "foldback (SWR 2.5): about 2026-03-02 (... to ...)"."""
    name = alarm_words.limit_name(forecast)
    if forecast.says == alarm_words.REACHED or forecast.expected_us is None:
        return f"{name}: {forecast.says}"
    if forecast.expected_us < now_us:
        return f"{name}: was expected about {alarm_words.day(forecast.expected_us)}"
    text = f"{name}: about {alarm_words.day(forecast.expected_us)}"
    if forecast.earliest_us is None:
        return text
    end = f"to {alarm_words.day(forecast.latest_us)}" if forecast.latest_us is not None else "on, or never"
    return f"{text} (from {alarm_words.day(forecast.earliest_us)} {end})"


def plain_number(value: float) -> str:
    """A figure of a report: whole where it is, else with two decimals."""
    return f"{value:,.0f}" if float(value).is_integer() else f"{value:,.2f}"


def several(count: int, one: str, many: str = "") -> str:
    """A count and its noun: "1 site", "2 sites"."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def swr_of_rho(rho: float) -> str:
    """A reflection coefficient's magnitude [1], 0..1, as its SWR."""
    return swr(float(swr_from_rho(rho)))
