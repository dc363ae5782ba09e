"""A switch per transmitter that daily detectors share: on and off by evidence, told when it changes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from standingwatch.detect.interface import Finding, State
from standingwatch.detect.words import Cause, Severity
from standingwatch.readings.fleet import BoolArray

SWITCH = np.dtype([("severity", np.int8), ("since_us", np.int64), ("cause", np.int8)])


def led_by(own: State, cause: Cause) -> BoolArray:
    """Whether a cause leads what was last told of each transmitter that stands.

    Args:
        own: records of `SWITCH`.
        cause: which.
    """
    led: BoolArray = own["cause"] == _number(cause)
    return led


def _number(cause: Cause) -> int:
    """How a record keeps a cause; 0 is none."""
    return 1 + list(Cause).index(cause)


def follow(
    own: State,
    on: BoolArray,
    off: BoolArray,
    end_us: int,
    grade: Callable[[int], Severity],
    tell: Callable[[int, Severity], Finding],
) -> list[Finding]:
    """Bring switches up to date; findings of those that went on, off, or changed severity or leading cause.

    A severity falls only when the switch goes off: what was said of the time left is not taken back and said
    again from day to day.

    Args:
        own: records of `SWITCH`.
        on: evidence for on.
        off: evidence for off; on wins.
        end_us: end of the day [Unix microseconds].
        grade: severity now of a transmitter that is on.
        tell: the finding about a transmitter.
    """
    findings = []
    standing = own["severity"] > 0
    for position in np.flatnonzero(on | standing).tolist():
        record = own[position : position + 1]
        before = int(record["severity"][0])
        if before and off[position] and not on[position]:
            record["severity"], record["cause"] = 0, 0
            findings.append(tell(position, Severity.CLEARED))
            record["since_us"] = 0
            continue
        if not before:
            record["since_us"] = end_us
        severity = max(int(grade(position)), before)
        finding = tell(position, Severity(severity))
        cause = _number(finding.causes[0].cause) if finding.causes else 0
        if severity != before or (cause and cause != int(record["cause"][0])):
            findings.append(finding)
        record["severity"], record["cause"] = severity, cause
    return findings
