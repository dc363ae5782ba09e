"""A clock that was never set, or goes on where the power failed: no report carries a wrong time."""

from __future__ import annotations

import ctypes
import json
import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any

WAITING = "[clock]\nnot_before = 2026-01-01T00:00:00Z\nwait_for_synchronised = true"
#: As far back as a clock is that begins at 1970.
UNSET_S = -time.time()
#: What may pass between the reading of one clock and the other's, on a busy machine [us].
APART_US = 50_000


def reports(heard: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for topic, body, _ in heard.messages:
        if "/report/" in topic:
            said = json.loads(body)
            found += said if isinstance(said, list) else [said]
    return found


def check_times(found: list[dict[str, Any]], site: Any, first: int, last: int) -> None:
    """A report of each measured value, with the time at which that was measured."""
    measured = site.measured("rpt-1")
    assert [round(one["forward_w"]) for one in found] == list(range(first, last + 1))
    for one in found:
        number = round(one["forward_w"])
        said_us = datetime.fromisoformat(one["time"]).timestamp() * 1e6
        # A report is made after its own value was told and before the next one was.
        assert measured[number] - APART_US <= said_us <= measured.get(number + 1, float("inf")) + APART_US


def test_reports_of_an_unset_clock_get_their_true_times(
    broker: Any, site_at: Any, listen: Any, clock_file: Callable[..., Path], wait: Callable[..., None]
) -> None:
    site = site_at(broker.port)
    site.metered("rpt-1", more=WAITING)
    clock = clock_file(off_s=UNSET_S, synchronised=False)
    with listen(broker.port, "standingwatch/#") as heard:
        process = site.start(clock=clock)
        wait(lambda: len(site.measured("rpt-1")) > 5, 30, site.said)
        # The link is up and says so, without a time that nobody knows.
        wait(lambda: [json.loads(b) for _, b, _ in heard.messages] == [{"online": True}], 20, site.said)
        site.end(process, signal.SIGKILL)
        cut_short = max(site.measured("rpt-1"))
        process = site.start(clock=clock)
        wait(lambda: len(site.measured("rpt-1")) > cut_short + 5, 30, site.said)
        assert reports(heard) == []
        clock_file(off_s=0, synchronised=True)
        wait(lambda: len(reports(heard)) > cut_short + 5, 30, site.said)
        assert site.end(process) == 0
    found = reports(heard)
    # The one that was told as the process was killed may have been on its way to the disk.
    told = [round(one["forward_w"]) for one in found]
    if cut_short not in told:
        check_times(found[: cut_short - 1], site, 1, cut_short - 1)
        check_times(found[cut_short - 1 :], site, cut_short + 1, told[-1])
    else:
        check_times(found, site, 1, told[-1])
    # At each start; and once more where it is looked at just as it is put right.
    assert site.said().count("reports are kept until it is good") in (2, 3)
    assert "the system's time is good" in site.said()


def test_a_clock_that_is_not_synchronised_is_not_believed_until_it_is(
    broker: Any, site_at: Any, listen: Any, clock_file: Callable[..., Path], wait: Callable[..., None]
) -> None:
    site = site_at(broker.port)
    site.metered("rpt-1", more=WAITING)
    # As it was when the power failed two days ago: nothing in it looks wrong.
    clock = clock_file(off_s=-2 * 86_400, synchronised=False)
    with listen(broker.port, "standingwatch/report/#") as heard:
        process = site.start(clock=clock)
        wait(lambda: len(site.measured("rpt-1")) > 5, 30, site.said)
        assert reports(heard) == []
        clock_file(off_s=0, synchronised=True)
        wait(lambda: len(reports(heard)) > 5, 30, site.said)
        # Later nothing sets the clock, as in a long outage: it goes on well enough, also after a restart.
        clock_file(off_s=0, synchronised=False)
        site.end(process)
        before = len(reports(heard))
        process = site.start(clock=clock)
        wait(lambda: len(reports(heard)) > before + 5, 30, site.said)
        site.end(process)
    found = reports(heard)
    check_times(found, site, 1, round(found[-1]["forward_w"]))


def test_where_nothing_tells_the_date_decides(
    broker: Any, site_at: Any, listen: Any, clock_file: Callable[..., Path], wait: Callable[..., None]
) -> None:
    site = site_at(broker.port)
    site.metered("rpt-1", more=WAITING)
    with listen(broker.port, "standingwatch/report/#") as heard:
        process = site.start(clock=clock_file(off_s=UNSET_S, synchronised=None))
        wait(lambda: len(site.measured("rpt-1")) > 5, 30, site.said)
        assert reports(heard) == []
        clock_file(off_s=0, synchronised=None)
        wait(lambda: len(reports(heard)) > 5, 30, site.said)
        site.end(process)
    check_times(reports(heard), site, 1, round(reports(heard)[-1]["forward_w"]))
    assert "does not tell whether its time is synchronised" in site.said()


def test_what_an_earlier_start_left_without_a_time_is_dropped_and_counted(
    broker: Any, site_at: Any, listen: Any, clock_file: Callable[..., Path], wait: Callable[..., None]
) -> None:
    site = site_at(broker.port)
    site.metered("rpt-1", more=WAITING)
    process = site.start(clock=clock_file(off_s=UNSET_S, synchronised=False, boot="one"))
    wait(lambda: len(site.measured("rpt-1")) > 5, 30, site.said)
    site.end(process)
    with closing(sqlite3.connect(site.spool)) as db:
        left = db.execute("SELECT count(*) FROM reports").fetchone()[0]
    assert left == len(site.measured("rpt-1"))
    with listen(broker.port, "standingwatch/report/#") as heard:
        process = site.start(clock=clock_file(off_s=0, synchronised=True, boot="two"))
        wait(lambda: len(reports(heard)) > 3, 30, site.said)
        site.end(process)
    assert f"{left} reports are of before the computer was started anew" in site.said()
    assert f"undated {left}" in site.said()
    check_times(reports(heard), site, left + 1, round(reports(heard)[-1]["forward_w"]))


class NtpTime(ctypes.Structure):
    """`struct ntptimeval` (ntp_gettime(3))."""

    _fields_ = (
        ("seconds", ctypes.c_long),
        ("part", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 512),
    )


def test_the_kernel_says_whether_the_clock_is_set(module: ModuleType) -> None:
    # Asked another way than the script does: by another function, with another layout.
    answer = NtpTime()
    libc = ctypes.CDLL(None)
    if libc.ntp_gettime(ctypes.byref(answer)) < 0:
        assert module.Clock().synchronised() is None
    else:
        assert module.Clock().synchronised() is (answer.maxerror < 16_000_000)
        assert abs(answer.seconds - time.time()) < 5


def test_time_since_the_start_goes_on_and_cannot_be_set(module: ModuleType) -> None:
    clock = module.Clock()
    first = clock.since_start_us()
    assert 0 < first <= clock.since_start_us()
    assert len(clock.boot) == 36
