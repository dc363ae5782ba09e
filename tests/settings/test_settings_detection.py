"""Settings of detection: each key arrives at its detector, alone, and defaults stand in one place."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from standingwatch.detect.engine import DetectionSettings
from standingwatch.readings.problem import Problem
from standingwatch.settings import Settings, describe_settings, inspect_settings
from standingwatch.watch.judging import detection_settings

#: Sections that are all detection's; `watch` gives it one key.
SECTIONS = (
    "limits",
    "baseline",
    "departure",
    "severity",
    "step",
    "feeder",
    "bursts",
    "weather",
    "power",
    "foldback",
    "measurement",
    "silence",
)


def flat(detection: DetectionSettings) -> dict[str, Any]:
    """What detection is told, by the name of the setting that it comes from."""
    values = {"watch.hour_grace_s": detection.hour_grace_s}
    parts = {
        field.name: getattr(detection.detectors, field.name)
        for field in dataclasses.fields(detection.detectors)
    }
    assert {field.name for field in dataclasses.fields(detection)} == {
        "baseline",
        "detectors",
        "hour_grace_s",
    }
    for name, part in {"baseline": detection.baseline, **parts}.items():
        section = "weather" if name == "wet" else name
        values |= {f"{section}.{key}": value for key, value in dataclasses.asdict(part).items()}
    return values


DEFAULTS = flat(DetectionSettings())


def load(folder: Path, text: str) -> tuple[Settings | None, tuple[Problem, ...]]:
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    report = inspect_settings(path, {})
    return report.settings, report.problems


def test_defaults_are_those_of_the_detectors() -> None:
    assert detection_settings(Settings()) == DetectionSettings()


def test_every_field_of_the_detectors_is_a_setting_and_no_other() -> None:
    there = {f"{row.section}.{row.key}" for row in describe_settings() if row.section in SECTIONS}
    assert there | {"watch.hour_grace_s"} == set(DEFAULTS)


@pytest.mark.parametrize("name", sorted(DEFAULTS))
def test_a_setting_arrives_and_moves_nothing_else(tmp_path: Path, name: str) -> None:
    section, key = name.split(".")
    default = DEFAULTS[name]
    # A little to either side; one of them may be out of range or not go together with another default.
    others = (default + 1, default - 1) if isinstance(default, int) else (default * 1.01, default * 0.99)
    arrived = []
    for value in others:
        settings, problems = load(tmp_path, f"[{section}]\n{key} = {value!r}\n")
        if settings is None:
            assert {problem.key.split(".")[0] for problem in problems} == {section}
            continue
        assert all(problem.severity == "warning" for problem in problems)
        assert flat(detection_settings(settings)) == DEFAULTS | {name: value}
        arrived.append(value)
    assert arrived


def test_the_environment_reaches_the_detectors_too() -> None:
    settings = inspect_settings(None, {"STANDINGWATCH_WEATHER__ICE_SWR": "2.25"}).settings
    assert settings is not None
    assert flat(detection_settings(settings)) == DEFAULTS | {"weather.ice_swr": 2.25}


CONFLICTS = [
    # section, the key that is named and its value, the other and its value, wanted
    ("departure", "days_to_raise", 6, "days_many", 5, "at most days_many = 5"),
    ("departure", "days_to_clear", 9, "days_many", 8, "at most days_many = 8"),
    ("departure", "spread_multiple_few", 3.5, "spread_multiple", 4.0, "at least spread_multiple = 4"),
    ("severity", "minor_days", 5, "major_days", 6.5, "at least major_days = 6.5"),
    ("severity", "major_swr", 1.9, "minor_swr", 2.0, "at least minor_swr = 2"),
    ("feeder", "minor_db", 0.9, "smallest_change_db", 1.0, "at least smallest_change_db = 1"),
    ("bursts", "days_to_raise", 11, "days", 10, "at most days = 10"),
    ("bursts", "single_days_to_raise", 11, "days", 10, "at most days = 10"),
    ("bursts", "minor_days", 11, "days", 10, "at most days = 10"),
    ("power", "minor_db", 0.9, "smallest_fall_db", 1.0, "at least smallest_fall_db = 1"),
    ("power", "days_to_raise", 12, "days_after_a_step", 11, "at most days_after_a_step = 11"),
]


@pytest.mark.parametrize(("section", "key", "value", "other", "bound", "wanted"), CONFLICTS)
def test_values_that_do_not_go_together(
    tmp_path: Path, section: str, key: str, value: float, other: str, bound: float, wanted: str
) -> None:
    _, problems = load(tmp_path, f"[{section}]\n{other} = {bound}\n{key} = {value}\n")
    mine = [problem for problem in problems if problem.key == f"{section}.{key}"]
    assert [(p.severity, p.line, p.got, p.wanted) for p in mine] == [("error", 3, f"{value:g}", wanted)]
    assert other in mine[0].mend
    # Alike they go together.
    _, problems = load(tmp_path, f"[{section}]\n{other} = {bound}\n{key} = {bound}\n")
    assert f"{section}.{key}" not in {problem.key for problem in problems}


RANGES = [
    # section, key, what is refused, what may stand there
    ("baseline", "full_days", 61, "a whole number from 4 to 60"),
    ("baseline", "full_days", 3, "a whole number from 4 to 60"),
    ("baseline", "hours_per_day", 25, "a whole number from 1 to 24"),
    ("departure", "days_many", 17, "a whole number from 1 to 16"),
    ("limits", "readings_to_raise", 10_001, "a whole number from 1 to 10000"),
    ("limits", "above_normal_rho", 1.1, "a number from 0 to 1"),
    ("severity", "minor_days", 366.0, "a number from 0 to 365"),
    ("weather", "wet_days_to_raise", 6, "a whole number from 1 to 5"),
    ("bursts", "days", 121, "a whole number from 1 to 120"),
    ("power", "days_after_a_step", 41, "a whole number from 1 to 40"),
    ("measurement", "zero_share", 0.0, "a number above 0 to 1"),
    ("step", "swr_at_antenna", 1.0, "a number above 1 to 1000"),
]


@pytest.mark.parametrize(("section", "key", "value", "wanted"), RANGES)
def test_what_the_detectors_cannot_do_is_refused(
    tmp_path: Path, section: str, key: str, value: float, wanted: str
) -> None:
    settings, problems = load(tmp_path, f"[{section}]\n{key} = {value}\n")
    assert settings is None
    assert [(p.line, p.key, p.got, p.wanted) for p in problems] == [
        (2, f"{section}.{key}", str(value), wanted)
    ]


def test_a_feeder_that_clears_sooner_than_asked_is_warned_of(tmp_path: Path) -> None:
    text = "[departure]\ndays_many = 14\ndays_to_clear = {}\n[feeder]\ndays_many = 12\n"
    settings, problems = load(tmp_path, text.format(13))
    assert settings is not None
    assert [(p.severity, p.line, p.key, p.got, p.wanted) for p in problems] == [
        ("warning", 3, "departure.days_to_clear", "13", "at most feeder.days_many = 12")
    ]
    assert load(tmp_path, text.format(12))[1] == ()


def test_a_key_in_the_wrong_section_is_an_error_that_names_every_right_one(tmp_path: Path) -> None:
    settings, (problem,) = load(tmp_path, "[departure]\nmajor_swr = 3.0\n")
    assert settings is None
    assert (problem.line, problem.key, problem.got) == (2, "departure.major_swr", "an unknown key")
    assert problem.mend.endswith("major_swr belongs in [limits] or [severity]")
    _, (problem,) = load(tmp_path, "[weather]\ndays_to_raise = 3\n")
    assert problem.mend == (
        "did you mean wet_days_to_raise? days_to_raise belongs in [departure], [bursts] or [power]"
    )
    _, (problem,) = load(tmp_path, "[wet]\ndays = 3\n")
    assert (problem.key, problem.got) == ("wet", "an unknown section or key")
