"""Alarms and visits for the tests of the review."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.interface import LikelyCause, Value
from standingwatch.detect.words import Cause, Condition, Severity

HOUR_US = 3_600_000_000
NOW_US = 1_773_480_413_000_000


@pytest.fixture
def now_us() -> int:
    return NOW_US


@pytest.fixture
def stands() -> Callable[..., Alarm]:
    """Makes an alarm that has stood for so many hours."""

    def make(
        subject: str,
        condition: Condition,
        severity: Severity,
        hours: float,
        cause: Cause = Cause.CONNECTOR,
        *,
        confidence: float = 0.6,
        members: tuple[str, ...] = (),
        cleared: bool = False,
        values: dict[str, Value] | None = None,
    ) -> Alarm:
        site, _, transmitter = subject.partition("/")
        raised_us = NOW_US - round(hours * HOUR_US)
        return Alarm(
            AlarmKey(site, transmitter, condition),
            severity,
            cleared,
            raised_us,
            raised_us,
            1,
            values or {},
            (LikelyCause(cause, confidence, "it fits"), LikelyCause(Cause.WATER, 0.2, "against it: dry")),
            members,
        )

    return make
