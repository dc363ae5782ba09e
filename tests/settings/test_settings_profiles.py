"""Payload profiles from a folder: all problems of all files at once, with file and line."""

from __future__ import annotations

from pathlib import Path

from standingwatch.readings.problem import Problem
from standingwatch.settings import load_settings
from standingwatch.settings.profiles import load_profile, load_profiles, profiles_of, unknown_profiles

GOOD = """\
topic = "plant/{site}/rf/{transmitter}"
format = "json"
[fields.time]
pointer = "/t"
[fields.forward]
pointer = "/fwd"
unit = "W"
[fields.reflected]
pointer = "/rfl"
unit = "W"
"""


def write(folder: Path, name: str, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_text(text)
    return path


def places(problems: list[Problem]) -> list[tuple[str, int | None, str]]:
    return [(Path(problem.file).name, problem.line, problem.key) for problem in problems]


def test_profiles_come_in_the_order_of_their_names(tmp_path: Path) -> None:
    for name in ("b.toml", "a.toml", "c.toml"):
        write(tmp_path, name, GOOD.replace("plant", name[0]))
    write(tmp_path, ".hidden.toml", "nonsense")
    write(tmp_path, "readme.md", "nonsense")
    (tmp_path / "folder.toml").mkdir()
    profiles, problems = load_profiles(tmp_path)
    assert problems == []
    assert [profile.name for profile in profiles] == ["a", "b", "c"]


def test_every_problem_of_every_file_has_its_line(tmp_path: Path) -> None:
    write(tmp_path, "good.toml", GOOD)
    write(tmp_path, "one.toml", GOOD.replace('unit = "W"', 'unit = "Watt"').replace("/rfl", "rfl"))
    write(tmp_path, "two.toml", "topic = 'a/{site}\n")
    write(tmp_path, "three.toml", 'title = "x"\n')
    (tmp_path / "four.toml").write_bytes(b"\xff\xfe")
    write(tmp_path, "a b.toml", GOOD)
    write(tmp_path, "last.toml", GOOD.replace("plant", "other") + "\n[at.hill]\nfields.forward.scale = 0\n")
    profiles, problems = load_profiles(tmp_path)
    assert [profile.name for profile in profiles] == ["good"]
    assert {problem.severity for problem in problems} == {"error"}
    assert sorted(places(problems), key=str) == sorted(
        [
            ("one.toml", 7, "fields.forward.unit"),
            ("one.toml", 9, "fields.reflected.pointer"),
            ("one.toml", 10, "fields.reflected.unit"),
            ("two.toml", 2, ""),
            ("three.toml", None, "format"),
            ("three.toml", None, "topic"),
            ("four.toml", 1, ""),
            ("a b.toml", None, ""),
            ("last.toml", 13, "at.hill.fields.forward.scale"),
        ],
        key=str,
    )
    text = str(next(problem for problem in problems if problem.key == "fields.forward.unit"))
    assert text.startswith(
        f'error: {tmp_path / "one.toml"}:7: fields.forward.unit: got "Watt", wanted one of W, '
    )


def test_a_missing_key_is_placed_at_the_table_that_lacks_it(tmp_path: Path) -> None:
    path = write(tmp_path, "one.toml", GOOD.replace('pointer = "/fwd"\n', ""))
    profile, problems = load_profile(path)
    assert profile is None
    assert places(problems) == [("one.toml", 5, "fields.forward")]


def test_one_profile_that_never_gets_a_message_is_pointed_out(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", GOOD)
    write(tmp_path, "b.toml", GOOD.replace("{transmitter}", "tx-1") + '[constants]\ntransmitter = "tx-1"\n')
    write(tmp_path, "c.toml", GOOD.replace("rf/", "hf/"))
    profiles, problems = load_profiles(tmp_path)
    assert len(profiles) == 3
    assert [(p.severity, Path(p.file).name, p.key) for p in problems] == [("warning", "b.toml", "topic")]
    # The other way round the wider one comes second, and has the rest.
    (tmp_path / "a.toml").rename(tmp_path / "z.toml")
    assert load_profiles(tmp_path)[1] == []


def test_the_default_folder_need_not_be_there_and_another_one_has_to(tmp_path: Path) -> None:
    file = tmp_path / "standingwatch.toml"
    file.write_text("")
    settings = load_settings(file, {})
    assert settings.intake.profiles == tmp_path / "profiles"
    assert profiles_of(settings) == ((), [])
    file.write_text('[intake]\nprofiles = "devices"\n')
    profiles, problems = profiles_of(load_settings(file, {}))
    assert profiles == ()
    assert [(p.severity, p.key, p.file) for p in problems] == [
        ("error", "intake.profiles", str(tmp_path / "devices"))
    ]
    write(tmp_path / "devices", "a.toml", GOOD)
    assert [profile.name for profile in profiles_of(load_settings(file, {}))[0]] == ["a"]


def test_what_is_no_folder_is_told(tmp_path: Path) -> None:
    path = write(tmp_path, "profiles", "text")
    assert places(load_profiles(path)[1]) == [("profiles", None, "intake.profiles")]


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.toml").symlink_to(tmp_path / "gone.toml")
    profiles, problems = load_profiles(tmp_path)
    assert profiles == ()
    assert [(p.severity, Path(p.file).name) for p in problems] == [("error", "a.toml")]


def test_what_does_not_go_with_the_other_settings_is_pointed_out(tmp_path: Path) -> None:
    untimed = GOOD.replace('[fields.time]\npointer = "/t"\n', "")
    write(tmp_path / "profiles", "a.toml", untimed)
    write(tmp_path / "profiles", "b.toml", GOOD.replace("plant/{site}/rf", "standingwatch/report/{site}"))
    file = tmp_path / "standingwatch.toml"
    file.write_text("")
    problems = profiles_of(load_settings(file, {}))[1]
    assert [(p.severity, Path(p.file).name, p.key) for p in problems] == [
        ("warning", "a.toml", "fields.time"),
        ("warning", "b.toml", "topic"),
    ]
    file.write_text('[intake]\ntime_if_absent = "receipt"\n[broker]\ntopic_root = "other"\n')
    assert profiles_of(load_settings(file, {}))[1] == []


def test_a_transmitter_that_names_a_profile_which_is_not_there() -> None:
    rows = [("hill", "tx-1", "a"), ("hill", "tx-2", None), ("hill", "tx-3", ""), ("hill", "tx-4", "b")]
    assert list(unknown_profiles(rows, {"a", "b"}, "sites.csv")) == []
    (problem,) = unknown_profiles(rows, {"a"}, "sites.csv", (2, 3, 4, 6))
    assert (problem.severity, problem.file, problem.line, problem.key) == ("error", "sites.csv", 6, "profile")
    assert problem.got == '"b" for hill/tx-4'
    assert "b.toml" in problem.mend
