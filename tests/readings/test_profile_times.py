"""Times as devices write them, zones and the hours in which clocks are put."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings.profile.model import UnusableError
from standingwatch.readings.profile.moments import check_pattern, time_reader, zone_of

NOON_US = int(datetime(2026, 3, 1, 12, tzinfo=UTC).timestamp()) * 1_000_000


def us(*parts: int) -> int:
    """Unix microseconds of a time in UTC."""
    return int(datetime(*parts, tzinfo=UTC).timestamp()) * 1_000_000  # type: ignore[misc,arg-type]  # parts of a date


@pytest.mark.parametrize(
    ("form", "zone", "raw"),
    [
        ("rfc3339", "", "2026-03-01T12:00:00Z"),
        ("rfc3339", "", "2026-03-01 13:00:00+01:00"),
        ("rfc3339", "Europe/Berlin", "2026-03-01T13:00:00"),
        ("rfc3339", "Europe/Berlin", "2026-03-01 13:00:00.000"),
        # What the text says wins.
        ("rfc3339", "Europe/Berlin", "2026-03-01T12:00:00Z"),
        ("rfc3339", "-05:30", "2026-03-01T06:30:00"),
        ("unix_s", "", NOON_US // 1_000_000),
        ("unix_s", "", NOON_US / 1e6),
        ("unix_s", "", str(NOON_US // 1_000_000)),
        ("unix_s", "", f"{NOON_US // 1_000_000}.000"),
        ("unix_ms", "", NOON_US // 1_000),
        ("unix_us", "", NOON_US),
        ("%d.%m.%Y %H:%M:%S", "Europe/Berlin", "01.03.2026 13:00:00"),
        ("%d.%m.%Y %H:%M", "Europe/Berlin", " 01.03.2026 13:00 "),
        ("%Y%m%d%H%M%S", "+01:00", 20260301130000),
        ("%Y-%m-%d %I:%M:%S %p", "UTC", "2026-03-01 12:00:00 PM"),
        # An offset in the text needs no zone, and wins over one.
        ("%Y-%m-%d %H:%M:%S %z", "", "2026-03-01 14:00:00 +0200"),
        ("%Y-%m-%d %H:%M:%S %z", "Europe/Berlin", "2026-03-01 14:00:00 +0200"),
    ],
)
def test_the_same_moment_in_every_form(form: str, zone: str, raw: Any) -> None:
    assert time_reader(form, zone)(raw) == NOON_US


@pytest.mark.parametrize(
    ("form", "zone", "raw", "reason"),
    [
        ("rfc3339", "", "2026-03-01T12:00:00", "no-offset"),
        ("%d.%m.%Y %H:%M:%S", "", "01.03.2026 13:00:00", "no-offset"),
        ("rfc3339", "", NOON_US // 1_000_000, "bad-time"),
        ("rfc3339", "UTC", "2026-02-30T12:00:00", "bad-time"),
        ("rfc3339", "UTC", "yesterday", "bad-time"),
        ("unix_s", "", NOON_US, "bad-time"),
        ("unix_ms", "", NOON_US // 1_000_000, "bad-time"),
        ("unix_s", "", "noon", "bad-time"),
        ("unix_s", "", True, "bad-time"),
        ("unix_s", "", None, "bad-time"),
        ("unix_s", "", float("nan"), "bad-time"),
        ("unix_s", "", 10**400, "bad-time"),
        ("%d.%m.%Y %H:%M:%S", "UTC", "2026-03-01", "bad-time"),
        ("%d.%m.%Y %H:%M:%S", "UTC", "01.03.1926 13:00:00", "bad-time"),
        ("%d.%m.%Y %H:%M:%S", "UTC", [], "bad-time"),
        ("%d.%m.%Y %H:%M:%S", "UTC", "9" * 10_000, "bad-time"),
        ("%Y-%m-%d %H:%M:%S %z", "", "0001-01-01 00:00:00 +2359", "bad-time"),
        ("%Y-%m-%d %H:%M:%S", "Asia/Tokyo", "0001-01-01 00:00:00", "bad-time"),
    ],
)
def test_a_time_that_cannot_be_used(form: str, zone: str, raw: Any, reason: str) -> None:
    with pytest.raises(UnusableError, match=r"^time is ") as found:
        time_reader(form, zone)(raw)
    assert found.value.reason == reason


def test_the_hour_that_comes_twice_is_the_first_unless_the_text_tells() -> None:
    """Berlin put its clocks back at 2026-10-25 03:00 summer time, 01:00 UTC."""
    plain = time_reader("%Y-%m-%d %H:%M:%S", "Europe/Berlin")
    assert plain("2026-10-25 02:30:00") == us(2026, 10, 25, 0, 30)
    assert plain("2026-10-25 03:00:00") == us(2026, 10, 25, 2, 0)
    telling = time_reader("%Y-%m-%d %H:%M:%S%z", "Europe/Berlin")
    assert telling("2026-10-25 02:30:00+0100") == us(2026, 10, 25, 1, 30)
    assert time_reader("rfc3339", "Europe/Berlin")("2026-10-25T02:30:00") == us(2026, 10, 25, 0, 30)


def test_the_hour_that_does_not_come_is_refused() -> None:
    """Berlin put its clocks forward at 2026-03-29 02:00."""
    read = time_reader("%Y-%m-%d %H:%M:%S", "Europe/Berlin")
    assert read("2026-03-29 01:59:59") == us(2026, 3, 29, 0, 59, 59)
    assert read("2026-03-29 03:00:00") == us(2026, 3, 29, 1, 0)
    with pytest.raises(UnusableError, match="does not come in Europe/Berlin") as found:
        read("2026-03-29 02:30:00")
    assert found.value.reason == "bad-time"


@given(
    st.datetimes(datetime(2001, 1, 1), datetime(2099, 12, 31)),  # noqa: DTZ001  wall times are what is written
    st.sampled_from(["Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "UTC", "Africa/Casablanca"]),
)
def test_every_moment_that_a_zone_shows_is_read_back(moment: datetime, zone: str) -> None:
    """Or, where the zone shows it twice, the first of the two."""
    utc = moment.replace(microsecond=0, tzinfo=UTC)
    local = utc.astimezone(ZoneInfo(zone))
    read_us = time_reader("%Y-%m-%d %H:%M:%S", zone)(local.strftime("%Y-%m-%d %H:%M:%S"))
    read = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=read_us)
    assert read.astimezone(ZoneInfo(zone)).replace(tzinfo=None) == local.replace(tzinfo=None)
    assert read == utc if local.fold == 0 else read < utc


@pytest.mark.parametrize(
    "pattern", ["%d.%m.%Y %H:%M:%S", "%Y%m%d%H%M", "%j %Y %H:%M", "%c", "%y-%m-%d %H:%M", "%x %X"]
)
def test_patterns_that_tell_a_time(pattern: str) -> None:
    check_pattern(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        "",
        "iso",
        "%H:%M:%S",
        "%d.%m.%Y",
        "%m-%d %H:%M",
        "%Y-%m-%d %I:%M",
        "%Y-%m-%d %H",
        "%Y %Y %m %d %H %M",
        "%Q",
        "%",
        "%Y-%m-%d %H:%M:%S %Z",
    ],
)
def test_patterns_that_do_not(pattern: str) -> None:
    with pytest.raises(ValueError, match=r"pattern|%z"):
        check_pattern(pattern)


@pytest.mark.parametrize(
    "zone", ["Mars/Olympus", "Europe", "", "+25:00", "../etc/passwd", "a" * 5000, "\0", "+1"]
)
def test_no_zone(zone: str) -> None:
    with pytest.raises(ValueError, match=r"time zone|24 hours"):
        zone_of(zone)
