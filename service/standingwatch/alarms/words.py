"""Parts of an alarm's text: times, numbers, who is in a group, when a limit is reached."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TypeGuard

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.interface import LimitForecast, Value

#: So many members of a group are named; the others are counted.
NAMED_MEMBERS = 6

#: Limits that end the service or the amplifier: what is told before any other limit.
GRAVE_LIMITS = ("foldback", "tolerance")

#: What `LimitForecast.says` says where the level is over the limit already.
REACHED = "reached"

#: How `LimitForecast.says` may begin where nothing can be said; what follows is the reason.
CANNOT_SAY = "cannot say: "

_HOUR_US = 3_600_000_000
_DAY_US = 24 * _HOUR_US


def instant(time_us: int) -> str:
    """A time in UTC as a person reads it, to the second."""
    return datetime.fromtimestamp(time_us / 1e6, tz=UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def day(time_us: int) -> str:
    """The day of a time in UTC."""
    return datetime.fromtimestamp(time_us / 1e6, tz=UTC).strftime("%Y-%m-%d")


def number(value: Value, digits: int = 2) -> str:
    """A number in words; infinity as the trade says it, "unknown" for what is no number or NaN."""
    if not is_number(value):
        return "unknown"
    return f"{value:.{digits}f}" if math.isfinite(value) else "infinite"


def is_number(value: Value) -> TypeGuard[float]:
    """Whether a piece of evidence is a number that is known; infinity is one."""
    return isinstance(value, int | float) and not isinstance(value, bool) and not math.isnan(value)


def several(count: int, one: str) -> str:
    """A count and its noun."""
    return f"{count} {one if count == 1 else one + 's'}"


# Who ----------------------------------------------------------------------------------------------------


def member_names(key: AlarmKey, members: Sequence[str]) -> list[str]:
    """Members as they are named in a sentence about `key`: without the site where that is said already."""
    prefix = f"{key.site}/"
    return [m.removeprefix(prefix) if key.site else m for m in members]


def member_list(key: AlarmKey, members: Sequence[str]) -> str:
    """The members of a group: "3 transmitters: a1, a2, a3"; those past the sixth are counted."""
    names = member_names(key, members)
    text = f"{several(len(names), 'transmitter')}: {', '.join(names[:NAMED_MEMBERS])}"
    more = len(names) - NAMED_MEMBERS
    return f"{text} and {more} more" if more > 0 else text


def where(key: AlarmKey, members: Sequence[str]) -> str:
    """What an alarm is about: "SITE/TRANSMITTER", "site SITE (...)" or "region REGION (...)"."""
    if key.transmitter:
        return f"{key.site}/{key.transmitter}"
    if key.service:
        return f"Standing Watch itself, {key.service}"
    name = f"region {key.region}" if key.region else f"site {key.site}"
    return f"{name} ({member_list(key, members)})" if members else name


# When ---------------------------------------------------------------------------------------------------


def limit_name(forecast: LimitForecast) -> str:
    """A limit in words: "foldback (SWR 2.5)", "SWR 1.5"."""
    if forecast.limit.startswith("swr-"):
        return f"SWR {forecast.limit.removeprefix('swr-')}"
    return f"{forecast.limit} (SWR {number(forecast.swr, 1)})"


def told_first(forecast: Sequence[LimitForecast]) -> list[LimitForecast]:
    """The limits that a sentence tells of: foldback and tolerance where they are known, else all."""
    return [f for f in forecast if f.limit in GRAVE_LIMITS] or list(forecast)


def nearest(forecast: Sequence[LimitForecast], now_us: int = 0) -> LimitForecast | None:
    """The limit of those told first that is reached next and has a date; None where none has.

    Args:
        forecast: of one alarm.
        now_us: dates before this come last: they were told long ago, and have gone by [Unix microseconds].
    """
    dated = [f for f in told_first(forecast) if f.says != REACHED and f.expected_us is not None]
    return min(
        dated, key=lambda f: ((f.expected_us or 0) < now_us, abs((f.expected_us or 0) - now_us)), default=None
    )


def at_present(forecast: Sequence[LimitForecast], swr: float) -> list[LimitForecast]:
    """A forecast as things stand: a limit is reached where the present level is at it or over it.

    Args:
        forecast: of one alarm, as of its last change.
        swr: present level at the transmitter, from 1; NaN where it is not known.
    """
    return [replace(f, says=REACHED) if swr >= f.swr else f for f in forecast]


def forecast_sentences(forecast: Sequence[LimitForecast], now_us: int) -> list[str]:
    """When the limits are reached, a sentence each, and how much time is left until the nearest.

    Args:
        forecast: of one alarm; empty for none.
        now_us: from when the time left is counted; a date before it has gone by [Unix microseconds].
    """
    told = told_first(forecast)
    sentences = [_dated(f, now_us) for f in told if f.says == REACHED or f.expected_us is not None]
    unsaid: dict[str, list[str]] = {}
    for f in told:
        if f.says != REACHED and f.expected_us is None:
            unsaid.setdefault(f.says, []).append(f.limit if f.limit in GRAVE_LIMITS else limit_name(f))
    for why, limits in unsaid.items():
        names, verb = " and ".join(limits), "is" if len(limits) == 1 else "are"
        if why.startswith("not "):
            sentences.append(
                f"{names[0].upper()}{names[1:]} {verb} {why.replace('not ', 'not reached ', 1)}."
            )
        else:
            reason = why.removeprefix(CANNOT_SAY)
            sentences.append(f"When {names} {verb} reached cannot be said: {reason}.")
    next_one = nearest(forecast, now_us)
    if next_one is not None and next_one.expected_us is not None and next_one.expected_us > now_us:
        sentences.append(f"Time left until {next_one.limit}: about {span(next_one.expected_us - now_us)}.")
    return sentences


def _dated(forecast: LimitForecast, now_us: int) -> str:
    """A limit that is reached, or has a date."""
    name = limit_name(forecast)
    name = name[0].upper() + name[1:]
    if forecast.says == REACHED or forecast.expected_us is None:
        return f"{name} is reached."
    if forecast.expected_us < now_us:
        return f"{name} was expected about {day(forecast.expected_us)}."
    text = f"{name} expected about {day(forecast.expected_us)}"
    if forecast.earliest_us is None:
        return f"{text}."
    if forecast.latest_us is None:
        return f"{text}, not before {day(forecast.earliest_us)} (90 %); it may also never be reached."
    return f"{text}, between {day(forecast.earliest_us)} and {day(forecast.latest_us)} (80 %)."


def span(microseconds: int) -> str:
    """A length of time as a person plans with it: hours, days, weeks or months."""
    for limit_us, unit_us, unit in (
        (2 * _DAY_US, _HOUR_US, "hour"),
        (21 * _DAY_US, _DAY_US, "day"),
        (91 * _DAY_US, 7 * _DAY_US, "week"),
    ):
        if microseconds < limit_us:
            return several(round(microseconds / unit_us), unit)
    return several(round(microseconds / (30.44 * _DAY_US)), "month")


def lasting(seconds: float) -> str:
    """A length of time in seconds, minutes, or as `span` does; `seconds` is 0 or more, and finite."""
    if seconds < 120.0:
        return several(round(seconds), "second")
    if seconds < 7200.0:
        return several(round(seconds / 60.0), "minute")
    return span(round(seconds * 1e6))


def data_size(size_bytes: float) -> str:
    """A number of bytes in decimal units (SI, as disks are sold)."""
    for power, unit in ((12, "TB"), (9, "GB"), (6, "MB"), (3, "kB")):
        if abs(size_bytes) >= 10**power:
            return f"{size_bytes / 10**power:.1f} {unit}"
    return f"{size_bytes:.0f} B"


def known(values: Mapping[str, Value], *names: str) -> bool:
    """Whether all of these are numbers that are known."""
    return all(is_number(values.get(name)) for name in names)
