"""Settings of what becomes of an alarm once it is found, and of the watch on the service itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from standingwatch.detect.words import SERVICE_CONDITIONS, Condition
from standingwatch.settings import OffDelaySettings, OnDelaySettings, Settings, describe_settings
from standingwatch.settings import inspect_settings as inspect_file
from standingwatch.settings.load import SettingsReport

#: Conditions that single readings or reports decide; the others are judged by days.
AT_ONCE = {
    Condition.SWR_HIGH,
    Condition.SWR_STEP,
    Condition.FOLDBACK_ACTIVE,
    Condition.REPORTS_MISSING,
    Condition.SITE_UNREACHABLE,
}
DELAYED = [condition for condition in Condition if condition not in SERVICE_CONDITIONS]


def inspect(folder: Path, text: str) -> SettingsReport:
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    return inspect_file(path, {})


def test_each_condition_about_sites_has_both_delays_and_no_other_has() -> None:
    settings = Settings()
    for delays in (settings.on_delay, settings.off_delay):
        assert list(delays.by_condition()) == DELAYED
        assert list(type(delays).model_fields) == [f"{c.replace('-', '_')}_s" for c in DELAYED]


def test_nothing_is_held_back_and_what_readings_decide_is_kept_for_two_intervals() -> None:
    assert set(OnDelaySettings().by_condition().values()) == {0.0}
    kept = OffDelaySettings().by_condition()
    assert {condition for condition, seconds in kept.items() if seconds} == AT_ONCE
    assert {kept[condition] for condition in AT_ONCE} == {2 * Settings().defaults.expected_interval_s}


@pytest.mark.parametrize("section", ["on_delay", "off_delay"])
@pytest.mark.parametrize("condition", DELAYED)
def test_a_delay_arrives_at_its_condition_alone(tmp_path: Path, section: str, condition: Condition) -> None:
    report = inspect(tmp_path, f"[{section}]\n{condition.replace('-', '_')}_s = 45\n")
    assert report.problems == ()
    assert report.settings is not None
    default = getattr(Settings(), section).by_condition()
    assert getattr(report.settings, section).by_condition() == default | {condition: 45.0}


def test_the_published_targets_are_the_defaults() -> None:
    # ANSI/ISA-18.2: at most 10 alarms in any 10 min, a flood from more than 10 until fewer than 5, stale
    # after 24 h; three beginnings make chattering (working rule).
    desk = Settings().desk
    assert (desk.most_in_10_min, desk.flood_start, desk.flood_end, desk.stale_hours) == (10, 10, 5, 24.0)
    assert Settings().chatter.raises == 3


@pytest.mark.parametrize(("start", "end", "wrong"), [(10, 10, True), (10, 11, True), (10, 9, False)])
def test_a_flood_ends_below_where_it_begins(tmp_path: Path, start: int, end: int, wrong: bool) -> None:
    report = inspect(tmp_path, f"[desk]\nflood_start = {start}\nflood_end = {end}\n")
    found = [(p.severity, p.line, p.key, p.got, p.wanted) for p in report.problems]
    wanted = ("error", 3, "desk.flood_end", str(end), f"less than flood_start = {start}")
    assert found == ([wanted] if wrong else [])


def test_a_default_that_does_not_go_with_what_is_given_is_called_one(tmp_path: Path) -> None:
    (problem,) = inspect(tmp_path, "[desk]\nflood_start = 5\n").problems
    assert (problem.line, problem.got) == (2, "5 (the default)")


RANGES = [
    # key, what is refused, what is just taken, what may stand there
    ("on_delay.swr_high_s", -1.0, 0.0, "a number from 0 to 86400"),
    ("off_delay.swr_high_s", 86401.0, 86400.0, "a number from 0 to 86400"),
    ("chatter.raises", 1, 2, "a whole number from 2 to 100"),
    ("chatter.window_s", 0.0, 0.1, "a number above 0 to 604800"),
    ("chatter.quiet_s", 0.0, 0.1, "a number above 0 to 604800"),
    ("desk.gather_s", -0.1, 0.0, "a number from 0 to 86400"),
    ("desk.most_in_10_min", 3, 4, "a whole number from 4 to 10000"),
    ("desk.flood_end", 0, 1, "a whole number from 1 to 10000"),
    ("desk.summary_every_s", 9.0, 10.0, "a number from 10 to 86400"),
    ("desk.retell_s", 86401.0, 86400.0, "a number from 0 to 86400"),
    ("desk.after_work_s", -1.0, 0.0, "a number from 0 to 86400"),
    ("desk.stale_hours", 0.0, 0.5, "a number above 0 to 8760"),
    ("watchman.heartbeat_s", 0.5, 1.0, "a number from 1 to 3600"),
    ("watchman.intake_late_s", 0.0, 1.0, "a number above 0 to 86400"),
    ("watchman.broker_lost_s", 0.0, 1.0, "a number above 0 to 86400"),
    ("watchman.store_free_share", 0.0, 1.0, "a number above 0 to 1"),
    ("watchman.store_free_bytes", 0, 1, "a whole number above 0"),
    ("watchman.store_days", 0.0, 365.0, "a number above 0 to 365"),
    ("watchman.store_max_bytes", -1, 0, "a whole number from 0"),
    ("watchman.clock_jump_s", 0.0, 0.1, "a number above 0 to 86400"),
    ("watchman.channel_late_s", 0.0, 1.0, "a number above 0 to 86400"),
    ("watchman.job_late_share", 1.0, 1.1, "a number above 1 to 100"),
    ("store.keep_cleared_alarms_days", 0, 1, "a whole number from 1 to 36500"),
]


@pytest.mark.parametrize(("name", "refused", "taken", "wanted"), RANGES)
def test_ranges(tmp_path: Path, name: str, refused: float, taken: float, wanted: str) -> None:
    section, key = name.split(".")
    (problem,) = inspect(tmp_path, f"[{section}]\n{key} = {refused!r}\n").problems
    assert (problem.line, problem.key, problem.got, problem.wanted) == (2, name, str(refused), wanted)
    report = inspect(tmp_path, f"[{section}]\n{key} = {taken!r}\n")
    assert report.problems == ()
    assert getattr(getattr(report.settings, section), key) == taken


def test_every_key_of_these_sections_is_held_to_its_range() -> None:
    sections = ("chatter", "desk", "watchman")
    there = {f"{row.section}.{row.key}" for row in describe_settings() if row.section in sections}
    assert there - {name for name, *_ in RANGES} == {"desk.flood_start"}
