from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings import BadTimeError, parse_time

NOON_US = 1_740_830_400_000_000  # 2025-03-01T12:00:00Z; date -u -d @1740830400 says the same


@pytest.mark.parametrize(
    ("given_time", "expected_us"),
    [
        # The examples of RFC 3339, section 5.8, that lie in the accepted years; the others are below.
        ("2025-03-01T12:00:00Z", NOON_US),
        ("2025-03-01t12:00:00z", NOON_US),
        ("2025-03-01 12:00:00Z", NOON_US),
        ("2025-03-01T13:30:00+01:30", NOON_US),
        ("2025-03-01T04:00:00-08:00", NOON_US),
        ("2025-03-01T04:00:00-0800", NOON_US),
        ("2025-03-01T12:00:00-00:00", NOON_US),
        ("2025-03-02T00:15:00+12:15", NOON_US),
        ("2025-03-01T12:00:00.5Z", NOON_US + 500_000),
        ("2025-03-01T12:00:00.000001Z", NOON_US + 1),
        ("2025-03-01T12:00:00.123456999Z", NOON_US + 123_456),
        ("2025-03-01T12:00:00.99999999999999999999Z", NOON_US + 999_999),
        ("2000-01-01T00:00:00Z", 946_684_800_000_000),
        ("2000-01-01T01:00:00+01:00", 946_684_800_000_000),
        ("2100-12-31T23:59:59.999999Z", 4_133_980_799_999_999),
        # The leap second at the end of 2016 (IERS Bulletin C 52); POSIX counts it as the next second.
        ("2016-12-31T23:59:60Z", 1_483_228_800_000_000),
        ("2016-12-31T23:59:60.25Z", 1_483_228_800_250_000),
        ("2017-01-01T00:59:60+01:00", 1_483_228_800_000_000),
        (1_740_830_400, NOON_US),
        (1_740_830_400.5, NOON_US + 500_000),
        (1_740_830_400.123, NOON_US + 123_000),
        (1_740_830_400_000, NOON_US),
        (1_740_830_400_123.0, NOON_US + 123_000),
        (946_684_800, 946_684_800_000_000),
        (2200000000.000003, 2200000000000003),  # times a million the float lies just below
    ],
)
def test_times_are_read(given_time: str | int | float, expected_us: int) -> None:
    assert parse_time(given_time) == expected_us


@pytest.mark.parametrize(
    ("given_time", "reason"),
    [
        ("2025-03-01T12:00:00", "no-offset"),
        ("2025-03-01 12:00:00.5", "no-offset"),
        ("1985-04-12T23:20:50.52Z", "bad-time"),  # RFC 3339, 5.8: right in form, outside the years
        ("1937-01-01T12:00:27.87+00:20", "bad-time"),  # the same
        ("1999-12-31T23:59:59Z", "bad-time"),
        ("2000-01-01T00:00:00+00:01", "bad-time"),
        ("2101-01-01T00:00:00Z", "bad-time"),
        ("9999-12-31T23:59:60Z", "bad-time"),
        ("0000-01-01T00:00:00Z", "bad-time"),
        ("0001-01-01T00:00:00+14:00", "bad-time"),
        ("9999-12-31T23:59:59-14:00", "bad-time"),
        ("2025-02-29T12:00:00Z", "bad-time"),
        ("2025-13-01T12:00:00Z", "bad-time"),
        ("2025-03-01T24:00:00Z", "bad-time"),
        ("2025-03-01T12:60:00Z", "bad-time"),
        ("2025-03-01T12:00:61Z", "bad-time"),
        ("2025-03-01T12:00:60Z", "bad-time"),  # no leap second can be at noon
        ("2025-03-15T23:59:60Z", "bad-time"),  # nor in the middle of a month
        ("2025-03-01T12:00:00+24:00", "bad-time"),
        ("2025-03-01T12:00:00.Z", "bad-time"),
        ("2025-03-01T12:00Z", "bad-time"),
        ("2025-03-01", "bad-time"),
        ("20250301T120000Z", "bad-time"),
        ("2025-W09-6T12:00:00Z", "bad-time"),
        ("2025-03-01T12:00:00Z\n", "bad-time"),
        ("２025-03-01T12:00:00Z", "bad-time"),  # a full-width digit
        ("1740830400", "bad-time"),
        ("yesterday", "bad-time"),
        ("", "bad-time"),
        (0, "bad-time"),
        (-1_740_830_400, "bad-time"),
        (99_999_999_999, "bad-time"),
        (1_740_830_400_000_000, "bad-time"),  # microseconds
        (10**400, "bad-time"),
        (1e308, "bad-time"),
        (-1e308, "bad-time"),
        (math.nan, "bad-time"),
        (math.inf, "bad-time"),
    ],
)
def test_times_that_cannot_be_used_are_refused(given_time: str | int | float, reason: str) -> None:
    with pytest.raises(BadTimeError, match=r"^time is .{1,250}$") as caught:
        parse_time(given_time)
    assert caught.value.reason == reason


@given(
    st.datetimes(
        datetime(2000, 1, 2),  # noqa: DTZ001 - hypothesis wants bounds without a zone and adds it
        datetime(2100, 12, 30),  # noqa: DTZ001 - the same
        timezones=st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes))),
    )
)
def test_any_time_python_writes_is_read_to_the_microsecond(moment: datetime) -> None:
    expected = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    assert parse_time(moment.isoformat()) == expected


@given(st.text() | st.integers() | st.floats())
def test_whatever_is_given_ends_in_a_time_or_a_reason(value: str | int | float) -> None:
    try:
        time_us = parse_time(value)
    except BadTimeError as error:
        assert error.reason in {"bad-time", "no-offset"}  # noqa: PT017 - both ways out are right
    else:
        assert 946_684_800_000_000 <= time_us < 4_133_980_800_000_000
