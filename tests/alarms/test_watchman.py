"""The watch on the watchman, judged: what begins, gets worse, eases and ends for each part of the service."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.alarms.text import sentence
from standingwatch.alarms.watchman import (
    JUMP_TOLD_S,
    ChannelLook,
    JobLook,
    Jump,
    Look,
    StoreLook,
    WatchmanSettings,
    growth_bytes_a_day,
    is_jump,
    judge,
    service_key,
)
from standingwatch.detect.words import SERVICE_CONDITIONS, Condition, Severity

NOW_US = 1_795_000_000_000_000
HOUR_US = 3_600_000_000
SETTINGS = WatchmanSettings()
LONG_S = 1e7
GB = 10**9

CLEARED, WARNING, MINOR, MAJOR, CRITICAL = Severity
INTAKE = service_key(Condition.INTAKE_LATE, "intake")
BROKER = service_key(Condition.BROKER_LOST, "broker")
STORE = service_key(Condition.STORE_FILLING, "store")
PURGE = service_key(Condition.JOB_MISSED, "job purge")
CLOCK = service_key(Condition.CLOCK_JUMPED, "clock")
DESK = service_key(Condition.CHANNEL_FAILING, "channel email.desk")


def ago(seconds: float) -> int:
    return NOW_US - round(seconds * 1e6)


def look(running_s: float = LONG_S, **measured: Any) -> Look:
    return Look(NOW_US, running_s, **measured)


def standing(key: AlarmKey, severity: Severity, changed_us: int = NOW_US - HOUR_US) -> dict[AlarmKey, Alarm]:
    return {key: Alarm(key, severity, False, changed_us, changed_us, 1, {}, ())}


def severity_of(
    key: AlarmKey,
    at: Look,
    alarms: Mapping[AlarmKey, Alarm] | None = None,
    settings: WatchmanSettings = SETTINGS,
) -> Severity | None:
    """What is said about a part when nothing was said before; None for nothing."""
    found = {e.key: e.severity for e in judge(at, alarms or {}, {}, settings)}
    return found.get(key)


def values_of(key: AlarmKey, at: Look, settings: WatchmanSettings = SETTINGS) -> Mapping[str, Any]:
    return next(e.values for e in judge(at, {}, {}, settings) if e.key == key)


# Each condition -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("behind_s", "running_s", "wanted"),
    [
        (0, LONG_S, CLEARED),
        (-40, LONG_S, CLEARED),
        (300, LONG_S, CLEARED),
        (300.1, LONG_S, MINOR),
        (900, LONG_S, MINOR),
        (900.1, LONG_S, MAJOR),
        # After a start the age is that of our own absence until the intake has had its time.
        (90_000, 0, None),
        (90_000, 300, None),
        (90_000, 300.1, MAJOR),
        (299, 0, CLEARED),
    ],
)
def test_the_intake_is_late(behind_s: float, running_s: float, wanted: Severity | None) -> None:
    assert severity_of(INTAKE, look(running_s, horizon_us=ago(behind_s))) is wanted


@pytest.mark.parametrize(("running_s", "wanted"), [(300, CLEARED), (301, MINOR), (901, MAJOR)])
def test_an_intake_that_never_said_anything_is_late_since_the_start(
    running_s: float, wanted: Severity
) -> None:
    at = look(running_s, horizon_us=0)
    assert severity_of(INTAKE, at) is wanted
    assert "never said" in str(values_of(INTAKE, at)["why"])


@pytest.mark.parametrize(
    ("down_s", "wanted"),
    [
        ({"a": 0.0, "b": 0.0}, CLEARED),
        ({}, CLEARED),
        ({"a": 0.1, "b": 0.0}, None),
        ({"a": 60.0}, None),
        ({"a": 60.1, "b": 0.0}, MAJOR),
        ({"a": 1e6, "b": 61.0}, MAJOR),
    ],
)
def test_a_broker_is_lost(down_s: dict[str, float], wanted: Severity | None) -> None:
    assert severity_of(BROKER, look(connections_down_s=down_s)) is wanted
    if wanted is MAJOR:
        values = values_of(BROKER, look(connections_down_s=down_s))
        assert values["connections"] == ", ".join(n for n, s in down_s.items() if s > 60)
        assert values["down_s"] == max(down_s.values())


@pytest.mark.parametrize(
    ("free", "growth", "before", "wanted"),
    [
        (50 * GB, None, CLEARED, CLEARED),
        (50 * GB, -1e9, CLEARED, CLEARED),
        (50 * GB, 3e9, CLEARED, CLEARED),
        (50 * GB, 4e9, CLEARED, WARNING),  # 12.5 days
        (5 * GB, None, CLEARED, CLEARED),
        (5 * GB - 1, None, CLEARED, MAJOR),
        (1 * GB, None, CLEARED, MAJOR),
        (1 * GB - 1, None, CLEARED, CRITICAL),
        (0, 4e9, CLEARED, CRITICAL),
        # Eased only when there is a tenth more than the limit again.
        (5.4 * GB, None, MAJOR, MAJOR),
        (5.6 * GB, None, MAJOR, CLEARED),
        (1.05 * GB, None, CRITICAL, CRITICAL),
        (1.15 * GB, None, CRITICAL, MAJOR),
        (60 * GB, 4e9, WARNING, WARNING),  # 15 days
        (62 * GB, 4e9, WARNING, CLEARED),  # 15.5 days
        (5.4 * GB, 1e6, WARNING, CLEARED),
    ],
)
def test_a_store_fills(free: float, growth: float | None, before: Severity, wanted: Severity) -> None:
    store = StoreLook(int(free), 100 * GB, 30 * GB, growth)
    alarms = {} if before is CLEARED else standing(STORE, before)
    assert severity_of(STORE, look(store=store), alarms) is wanted


@pytest.mark.parametrize(
    ("free", "held", "wanted"),
    [
        # A hundredth of 1 TB is plenty for a store of 1 GB: 2 GB are enough, 0.4 GB are critical.
        (10 * GB, GB, CLEARED),
        (2 * GB, None, CLEARED),
        (2 * GB - 1, GB, MAJOR),
        (0.4 * GB - 1, GB, CRITICAL),
        # A store of 20 GB has to find room for its copy; one of 80 GB a twentieth of the disk.
        (20 * GB, 20 * GB, CLEARED),
        (20 * GB - 1, 20 * GB, MAJOR),
        (50 * GB, 80 * GB, CLEARED),
        (50 * GB - 1, 80 * GB, MAJOR),
    ],
)
def test_of_a_large_disk_room_for_a_copy_is_enough(free: float, held: int | None, wanted: Severity) -> None:
    store = StoreLook(int(free), 1000 * GB, held, None)
    assert severity_of(STORE, look(store=store)) is wanted


def test_a_disk_that_cannot_be_measured_is_a_warning_and_eases_nothing() -> None:
    at = look(store=StoreLook(problem="no such device"))
    assert severity_of(STORE, at) is WARNING
    assert "no such device" in str(values_of(STORE, at)["why"])
    assert severity_of(STORE, at, standing(STORE, CRITICAL)) is None


def test_a_database_server_is_judged_by_its_size_where_the_most_is_known() -> None:
    at = look(store=StoreLook(None, None, 96 * GB, 1e9, note="cannot be seen"))
    assert severity_of(STORE, at) is CLEARED
    limited = replace(SETTINGS, store_max_bytes=100 * GB)
    assert severity_of(STORE, at, settings=limited) is MAJOR
    values = values_of(STORE, at, limited)
    assert (values["why"], values["free_bytes"], values["days_until_full"]) == ("cannot be seen", 4 * GB, 4.0)
    assert severity_of(STORE, at, settings=replace(SETTINGS, store_max_bytes=200 * GB)) is CLEARED
    assert severity_of(STORE, at, settings=replace(SETTINGS, store_max_bytes=90 * GB)) is CRITICAL


def test_the_scarcer_of_disk_and_limit_counts() -> None:
    at = look(store=StoreLook(80 * GB, 100 * GB, 20 * GB, 1e9))
    assert severity_of(STORE, at, settings=replace(SETTINGS, store_max_bytes=20 * GB + 1)) is CRITICAL
    at = look(store=StoreLook(1, 100 * GB, 20 * GB, 1e9))
    assert severity_of(STORE, at, settings=replace(SETTINGS, store_max_bytes=900 * GB)) is CRITICAL


@pytest.mark.parametrize(
    ("interval_s", "ended_s", "succeeded", "running_s", "wanted"),
    [
        (3600, 10, True, LONG_S, CLEARED),
        (3600, 7200, True, LONG_S, CLEARED),
        (3600, 7201, True, LONG_S, MINOR),
        (3600, 10**6, True, LONG_S, MINOR),
        (3600, 10, False, LONG_S, MINOR),
        (3600, 10, False, 0, MINOR),
        (3600, 90_000, True, 0, None),
        (3600, 90_000, True, 7201, MINOR),
        # What runs each minute may wait for a job that takes longer.
        (60, 900, True, LONG_S, CLEARED),
        (60, 901, True, LONG_S, MINOR),
        (3600, None, True, 7200, CLEARED),
        (3600, None, True, 7201, MINOR),
        (3600, -500, True, LONG_S, CLEARED),
    ],
)
def test_a_job_is_missed(
    interval_s: float, ended_s: float | None, succeeded: bool, running_s: float, wanted: Severity | None
) -> None:
    ended_us = None if ended_s is None else ago(ended_s)
    job = JobLook(interval_s, ended_us, succeeded, "" if succeeded else "OSError: disk full")
    at = look(running_s, jobs={"purge": job})
    assert severity_of(PURGE, at) is wanted
    if not succeeded:
        assert values_of(PURGE, at)["why"] == "OSError: disk full"


@pytest.mark.parametrize(
    ("oldest_s", "dead", "running_s", "wanted"),
    [
        (None, 0, LONG_S, CLEARED),
        (600, 0, LONG_S, CLEARED),
        (601, 0, LONG_S, MINOR),
        (3600, 0, LONG_S, MINOR),
        (3601, 0, LONG_S, MAJOR),
        (3601, 2, LONG_S, MAJOR),
        (None, 1, LONG_S, MINOR),
        (10, 1, 0, MINOR),
        (90_000, 0, 0, None),
        (90_000, 1, 0, MINOR),
    ],
)
def test_a_channel_fails(oldest_s: float | None, dead: int, running_s: float, wanted: Severity) -> None:
    channel = ChannelLook(None if oldest_s is None else ago(oldest_s), 3, dead, "connection refused")
    at = look(running_s, channels={"email.desk": channel})
    assert severity_of(DESK, at) is wanted
    assert len(judge(at, {}, {}, SETTINGS)) == 1 + (wanted is not None)  # and the clock is well


@pytest.mark.parametrize(("step_s", "wanted"), [(5.0, False), (5.1, True), (-5.1, True), (-5.0, False)])
def test_small_steps_are_no_jump(step_s: float, wanted: bool) -> None:
    assert is_jump(step_s, SETTINGS) is wanted


def test_a_jump_is_told_for_an_hour_after_the_last_one() -> None:
    assert severity_of(CLOCK, look()) is CLEARED
    assert severity_of(CLOCK, look(jump=Jump(-7200.0, 0.0))) is WARNING
    assert values_of(CLOCK, look(jump=Jump(-7200.0, 0.0))) == {"step_s": -7200.0}
    assert severity_of(CLOCK, look(jump=Jump(-7200.0, JUMP_TOLD_S - 1))) is WARNING
    assert severity_of(CLOCK, look(jump=Jump(-7200.0, JUMP_TOLD_S)), standing(CLOCK, WARNING)) is CLEARED


@pytest.mark.parametrize(
    ("changed_s", "running_s", "wanted"),
    [
        (3599, 10, None),
        (3600, 10, CLEARED),
        # It says a time that is still to come: the hour counts from the start.
        (-86_400, 10, None),
        (-86_400, 3600, CLEARED),
    ],
)
def test_a_jump_before_the_start_is_told_to_its_end(
    changed_s: float, running_s: float, wanted: Severity | None
) -> None:
    assert severity_of(CLOCK, look(running_s), standing(CLOCK, WARNING, ago(changed_s))) is wanted


def test_nothing_else_is_judged_in_the_moment_of_a_jump() -> None:
    measured: dict[str, Any] = {
        "horizon_us": ago(90_000),
        "jobs": {"purge": JobLook(60.0, ago(90_000))},
        "channels": {"email.desk": ChannelLook(ago(90_000), 1)},
    }
    assert [e.key for e in judge(look(jump=Jump(86_400.0, 0.0), **measured), {}, {}, SETTINGS)] == [CLOCK]
    after = judge(look(jump=Jump(86_400.0, 5.0), **measured), {}, {}, SETTINGS)
    assert {e.key for e in after} == {CLOCK, INTAKE, PURGE, DESK}


# What is said, and when ---------------------------------------------------------------------------------


def everything(bad: bool) -> Look:
    if not bad:
        return look(
            jump=Jump(100.0, JUMP_TOLD_S),
            horizon_us=ago(1),
            connections_down_s={"a": 0.0},
            store=StoreLook(90 * GB, 100 * GB, GB, 0.0),
            jobs={"purge": JobLook(60.0, ago(1))},
            channels={"email.desk": ChannelLook()},
        )
    return look(
        jump=Jump(100.0, 5.0),
        horizon_us=ago(400),
        connections_down_s={"a": 100.0},
        store=StoreLook(GB, 100 * GB, GB, 0.0),
        jobs={"purge": JobLook(60.0, ago(1), False, "it broke")},
        channels={"email.desk": ChannelLook(ago(700), 2)},
    )


def run(alarms: dict[AlarmKey, Alarm], evidence: list[Evidence]) -> list[Change]:
    """The alarm list brought up to date."""
    changes = [c for c in (apply(alarms.get(e.key), e, NOW_US) for e in evidence) if c is not None]
    alarms.update({c.alarm.key: c.alarm for c in changes})
    return changes


def test_every_condition_is_raised_once_and_ends_once() -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    said: dict[AlarmKey, Severity] = {}
    counts = []
    for bad in (False, False, True, True, True, False, False):
        evidence = judge(everything(bad), alarms, said, SETTINGS)
        said |= {e.key: e.severity for e in evidence}
        counts.append((len(evidence), len(run(alarms, evidence))))
    # At first all is said once, whatever it is; then only what is new.
    assert counts == [(6, 0), (0, 0), (6, 6), (0, 0), (0, 0), (6, 6), (0, 0)]
    assert {key.condition for key in alarms} == SERVICE_CONDITIONS
    assert all(a.is_cleared for a in alarms.values())


def test_a_restart_neither_loses_nor_doubles_anything() -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    assert len(run(alarms, judge(everything(bad=True), alarms, {}, SETTINGS))) == 6
    assert run(alarms, judge(everything(bad=True), alarms, {}, SETTINGS)) == []
    # In the moments after the start what is not known yet does not end.
    early = replace(
        everything(bad=True), running_s=0.0, jump=None, connections_down_s={"a": 0.01}, store=None
    )
    assert run(alarms, judge(early, alarms, {}, SETTINGS)) == []
    well = replace(everything(bad=False), jump=None)
    assert len(run(alarms, judge(well, alarms, {}, SETTINGS))) == 5
    # The hour of the clock that jumped before the start is not over.
    assert [a.key for a in alarms.values() if not a.is_cleared] == [CLOCK]


def test_what_was_said_and_not_kept_is_said_again() -> None:
    evidence = judge(everything(bad=True), {}, {}, SETTINGS)
    said = {e.key: e.severity for e in evidence}
    # The alarm list has not taken it: it waits for a delay, or the pass has failed.
    assert [e.key for e in judge(everything(bad=True), {}, said, SETTINGS)] == [e.key for e in evidence]


def test_what_came_back_while_its_end_was_waited_for_is_said() -> None:
    alarms = standing(INTAKE, MINOR)
    ended = judge(look(horizon_us=NOW_US), alarms, {INTAKE: MINOR, CLOCK: CLEARED}, SETTINGS)
    assert [(e.key, e.severity) for e in ended] == [(INTAKE, CLEARED)]
    # The list still has it, as there is an off-delay: that it is there again has to be said all the same.
    again = judge(look(horizon_us=ago(400)), alarms, {INTAKE: CLEARED, CLOCK: CLEARED}, SETTINGS)
    assert [(e.key, e.severity) for e in again] == [(INTAKE, MINOR)]


def test_what_was_not_measured_stays_as_it_is() -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    run(alarms, judge(everything(bad=True), alarms, {}, SETTINGS))
    assert run(alarms, judge(look(jump=Jump(100.0, 9.0)), alarms, {}, SETTINGS)) == []


def test_parts_that_are_no_more_end_and_those_of_sites_are_left_alone() -> None:
    other = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
    alarms = standing(PURGE, MINOR) | standing(DESK, MAJOR) | standing(other, MAJOR)
    evidence = judge(look(jobs={}, channels={"mqtt": ChannelLook()}), alarms, {}, SETTINGS)
    ended = {e.key for e in evidence if e.is_final}
    assert ended == {PURGE, DESK}
    assert all(e.severity is CLEARED for e in evidence if e.is_final)
    assert other not in {e.key for e in evidence}
    # Not measured is not gone.
    assert {e.key for e in judge(look(), alarms, {}, SETTINGS)} == {CLOCK}


@pytest.mark.parametrize("bad", [True, False])
def test_the_text_says_where_and_what_to_do_and_nothing_about_climbing(bad: bool) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    changes = run(alarms, judge(everything(bad=True), alarms, {}, SETTINGS))
    if not bad:
        changes = run(alarms, judge(everything(bad=False), alarms, {}, SETTINGS))
    for change in changes:
        text = sentence(change)
        assert text.startswith(f"Standing Watch itself, {change.alarm.key.service}: ")
        for word in ("nan", "None", "unknown", "transmitter", "climb", "connector "):
            assert word not in text


# Growth -------------------------------------------------------------------------------------------------


def hourly(sizes: list[int]) -> list[tuple[int, int]]:
    return [(NOW_US + i * HOUR_US, size) for i, size in enumerate(sizes)]


def test_growth_is_said_after_a_day_and_not_before() -> None:
    assert growth_bytes_a_day([]) is None
    assert growth_bytes_a_day(hourly([10 * i for i in range(24)])) is None
    assert growth_bytes_a_day(hourly([10 * i for i in range(25)])) == pytest.approx(240.0)
    # A day with too few hours in it.
    assert growth_bytes_a_day([*hourly([1, 2, 3]), (NOW_US + 48 * HOUR_US, 9)]) is None


def test_one_purge_does_not_hide_the_growth() -> None:
    sizes = [1000 * i if i < 90 else 1000 * i - 500_000 for i in range(100)]
    assert growth_bytes_a_day(hourly(sizes)) == pytest.approx(24_000.0)
    assert growth_bytes_a_day(hourly([5000 - i for i in range(100)])) == pytest.approx(-24.0)


def test_only_the_last_week_counts() -> None:
    sizes = [1_000_000 + 1000 * i for i in range(500)] + [1_500_000] * 168
    assert growth_bytes_a_day(hourly(sizes)) == 0.0


@given(st.lists(st.none() | st.integers(0, 10**12), min_size=25, max_size=100))
def test_growth_is_the_slope_of_theil_and_sen(sizes: list[int | None]) -> None:
    known = [(i, s) for i, s in enumerate(sizes) if s is not None]
    got = growth_bytes_a_day([(i * HOUR_US + 77, s) for i, s in known])
    if len(known) < 12 or known[-1][0] - known[0][0] < 24:
        assert got is None
    else:
        wanted = 24.0 * theilslopes([s for _, s in known], [i for i, _ in known]).slope
        assert got == pytest.approx(wanted, rel=1e-9, abs=1e-3)
