"""Words of a command line as values; a wrong one ends the command with status 2 and says what was wanted."""

from __future__ import annotations

import argparse
import math
import re
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from standingwatch.detect.words import Severity

_SECONDS = {"m": 60, "h": 3600, "d": 86_400}

#: What a database numbers its rows with at most.
_LAST_NUMBER = 2**63 - 1

#: Longest time that can be named [d]: 100 years.
_MOST_DAYS = 36_525


def severity(text: str) -> Severity:
    """A severity that an alarm can have."""
    from standingwatch.detect.words import Severity

    known = {s.word: s for s in Severity if s is not Severity.CLEARED}
    if text not in known:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted one of {', '.join(known)}")
    return known[text]


def condition(text: str) -> str:
    """A condition."""
    from standingwatch.detect.words import Condition

    if text not in {c.value for c in Condition}:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted one of {', '.join(Condition)}")
    return text


def duration_us(text: str) -> int:
    """A length of time such as 30m, 4h or 2d [us]."""
    match = re.fullmatch(r"(\d{1,6}(?:\.\d{1,6})?)([mhd])", text, re.ASCII)
    if match is None or not float(match[1]):
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted minutes, hours or days such as 30m, 4h, 2d")
    return round(float(match[1]) * _SECONDS[match[2]] * 1_000_000)


def days(text: str) -> float:
    """Days, 0 or more."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= _MOST_DAYS:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted a number of days from 0 to {_MOST_DAYS}")
    return value


def some_days(text: str) -> float:
    """Days, more than 0."""
    value = days(text)
    if not value:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted more than 0 days")
    return value


def people(text: str) -> float:
    """A number of people, more than 0; half a one for somebody who is there half of the time."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value <= 1_000_000:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted a number of people above 0")
    return value


def number(text: str) -> int:
    """The number of a row in the store."""
    if re.fullmatch(r"\d{1,19}", text, re.ASCII) is None or not 0 < int(text) <= _LAST_NUMBER:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted a number as the list shows it")
    return int(text)


def time_us(text: str) -> int:
    """A time, RFC 3339 with offset [Unix microseconds]."""
    from standingwatch.readings import BadTimeError, parse_time

    try:
        return parse_time(text)
    except BadTimeError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def now_us() -> int:
    """Now, from which lengths of time on a command line count [Unix microseconds].

    As `daemon.wall_clock`, without the second that it takes to import the daemon.
    """
    return time.time_ns() // 1000
