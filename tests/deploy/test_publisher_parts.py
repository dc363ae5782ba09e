"""The publisher's parts: units against pint, sources, settings, the spool; its example, unit and README."""

from __future__ import annotations

import ast
import json
import math
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, suppress
from pathlib import Path
from types import ModuleType
from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy
from jsonschema import Draft7Validator

from standingwatch.readings.report_schema import report_schema

# Units --------------------------------------------------------------------------------------------------

REGISTRY = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
#: Our units as pint writes them, and the unit of the report's member.
PINT = {
    "forward": ({"W": "W", "mW": "mW", "kW": "kW", "dBm": "dBm", "dBW": "dBW"}, "W"),
    "set_power": ({"W": "W", "mW": "mW", "kW": "kW", "dBm": "dBm"}, "W"),
    "frequency": ({"MHz": "MHz", "kHz": "kHz", "Hz": "Hz"}, "MHz"),
    "pa_temperature": ({"degC": "degC", "degF": "degF"}, "degC"),
    "ambient_temperature": ({"degC": "degC", "degF": "degF"}, "degC"),
    "precipitation": ({"mm/h": "mm/hour"}, "mm/hour"),
    "wind": ({"m/s": "m/s", "km/h": "km/hour", "mph": "mile/hour", "kn": "knot"}, "m/s"),
}
REGISTRY.define("decibelwatt = watt; logbase: 10; logfactor: 10 = dBW")
CASES = [(name, unit) for name, (units, _) in PINT.items() for unit in units]


def in_watts(member: str, value: float) -> float:
    return float(REGISTRY.Quantity(value, "dBm").to("W").magnitude) if member.endswith("_dbm") else value


@pytest.mark.parametrize(("name", "unit"), CASES)
@pytest.mark.parametrize("raw", [0.5, 12.0, 40.0])
def test_units_are_those_of_pint(module: ModuleType, name: str, unit: str, raw: float) -> None:
    units, to = PINT[name]
    member, value = module.Value(name, unit=unit).member(raw)
    wanted = float(REGISTRY.Quantity(raw, units[unit]).to(to).magnitude)
    # Members are rounded to a millionth.
    assert math.isclose(in_watts(member, value), wanted, rel_tol=1e-5, abs_tol=1e-6)


def test_every_unit_is_held_against_something(module: ModuleType) -> None:
    assert {name: set(units) for name, units in module.UNITS.items() if name != "reflected"} == {
        name: set(units) for name, (units, _) in PINT.items()
    }
    others = set(module.UNITS["reflected"]) - set(module.UNITS["forward"])
    assert others == {"SWR", "dB", "rho", "%"}


@pytest.mark.parametrize(
    ("unit", "raw", "wanted"),
    [
        ("SWR", 1.5, ("swr", 1.5)),
        ("dB", 14.0, ("return_loss_db", 14.0)),
        # SWR 1.5 is a rho of 0.2, 4 % of the power, a return loss of 13.979400 dB.
        ("rho", 0.2, ("return_loss_db", 13.9794)),
        ("%", 4.0, ("return_loss_db", 13.9794)),
        ("rho", 0, ("reflected_w", 0.0)),
        ("%", 0, ("reflected_w", 0.0)),
        ("%", 100, ("return_loss_db", 0.0)),
    ],
)
def test_ways_to_tell_what_comes_back(module: ModuleType, unit: str, raw: float, wanted: Any) -> None:
    assert module.Value("reflected", unit=unit).member(raw) == wanted


@pytest.mark.parametrize(("unit", "raw"), [("rho", 1.01), ("rho", -0.1), ("%", 101), ("%", -1)])
def test_more_than_all_cannot_come_back(module: ModuleType, unit: str, raw: float) -> None:
    with pytest.raises(module.SourceError, match="of the forward power comes back, wanted 0 to 1"):
        module.Value("reflected", unit=unit).member(raw)


def test_scale_and_offset_come_before_the_unit(module: ModuleType) -> None:
    value = module.Value("forward", unit="mW", scale=10, offset=500)
    assert value.member(50) == ("forward_w", 1.0)


@pytest.mark.parametrize("raw", ["abc", "", True, [1], {}, "nan", math.inf, "1e999"])
def test_what_is_no_number_is_told(module: ModuleType, raw: Any) -> None:
    with pytest.raises(module.SourceError, match=r"forward is .*, wanted a number"):
        module.Value("forward", unit="W").member(raw)


@pytest.mark.parametrize("raw", [None, -999, "-999", "-999.0", "n/a"])
def test_what_says_that_there_is_none(module: ModuleType, raw: Any) -> None:
    assert module.Value("forward", unit="W", missing=(-999, "n/a")).member(raw) is None


@pytest.mark.parametrize(
    ("raw", "wanted"),
    [
        (True, True),
        (1, True),
        ("1", True),
        ("On", True),
        ("YES ", True),
        (0, False),
        ("off", False),
        (False, False),
    ],
)
def test_usual_truth_values(module: ModuleType, raw: Any, wanted: bool) -> None:
    assert module.Value("keyed").member(raw) == ("keyed", wanted)


def test_named_truth_values_are_the_only_ones(module: ModuleType) -> None:
    value = module.Value("keyed", true=("TX", 3), false=("RX",))
    assert [value.member(raw) for raw in ("TX", 3, "3", "RX")] == [
        ("keyed", v) for v in (True, True, True, False)
    ]
    for raw in ("tx", 2, "maybe"):
        with pytest.raises(module.SourceError, match="wanted one of the values that mean true or false"):
            value.member(raw)


# What sources say ---------------------------------------------------------------------------------------


def test_lines_and_json(module: ModuleType) -> None:
    lines = "# a meter\nforward = 98.2\n\nreflected=1.13\nnote=a=b\n"
    assert module.parse_said(lines) == {"forward": "98.2", "reflected": "1.13", "note": "a=b"}
    said = module.parse_said(' {"pwr": {"fwd": [1, 98.2]}, "a/b": {"~": 2}}')
    assert module.find_in(said, "/pwr/fwd/1") == 98.2
    assert module.find_in(said, "/a~1b/~0") == 2
    for absent in ("/pwr/fwd/2", "/pwr/no", "/pwr/fwd/1/0", "/pwr/fwd/x", "pwr/fwd"):
        assert module.find_in(said, absent) is None, absent
    for bad, why in (("{", "not JSON"), ("hello", "wanted key=value"), ("[" * 100_000, "not JSON")):
        with pytest.raises(module.SourceError, match=why):
            module.parse_said(bad)


json_values: SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=8,
)


@given(json_values | st.text() | st.binary().map(lambda b: b.decode("utf-8", "replace")), st.text())
def test_no_source_makes_it_stumble(module: ModuleType, said: Any, key: str) -> None:
    text = said if isinstance(said, str) else json.dumps(said)
    for name, unit in (
        ("forward", "dBm"),
        ("reflected", "%"),
        ("set_power", "dBm"),
        ("keyed", ""),
        ("channel", ""),
    ):
        # A source may refuse what it is told, and do nothing else.
        with suppress(module.SourceError):
            made = module.Value(name, unit=unit).member(module.find_in(module.parse_said(text), key))
            json.dumps(made, allow_nan=False)


def transmitter(module: ModuleType, source: Any) -> Any:
    values = (module.Value("forward", "fwd", "W"), module.Value("reflected", "rfl", "W"))
    return module.Transmitter("rpt-1", 60, source, values)


def test_a_file_that_has_become_old_is_no_reading(module: ModuleType, tmp_path: Path) -> None:
    path = tmp_path / "meter"
    path.write_text("fwd=98.2\nrfl=1.13\n")
    one = transmitter(module, module.FileSource(path, 60))
    assert one.report() == {"forward_w": 98.2, "reflected_w": 1.13}
    old_s = time.time() - 90
    os.utime(path, (old_s, old_s))
    with pytest.raises(module.SourceError, match="s old, wanted at most 60 s"):
        one.report()
    path.unlink()
    with pytest.raises(module.SourceError, match="No such file"):
        one.report()
    path.write_text("fwd=98.2\n")
    with pytest.raises(module.SourceError, match="reflected has no value"):
        one.report()


@pytest.mark.parametrize(
    ("script", "why"),
    [
        ("exit 3", "status 3"),
        ("sleep 9", "timed out"),
        ("echo no >&2; exit 1", "status 1: no"),
        ("echo fwd=1", "no value"),
    ],
)
def test_a_command_that_does_not_tell(module: ModuleType, script: str, why: str) -> None:
    with pytest.raises(module.SourceError, match=why):
        transmitter(module, module.CommandSource(("sh", "-c", script), 0.5)).report()


def test_a_program_that_is_not_there(module: ModuleType) -> None:
    with pytest.raises(module.SourceError, match="no-such-program"):
        transmitter(module, module.CommandSource(("no-such-program",), 5)).report()


# Settings -----------------------------------------------------------------------------------------------


def test_the_example_is_right_and_names_every_key(
    module: ModuleType, publisher_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: set[str] = set()
    take = module.Table.take
    monkeypatch.setattr(
        module.Table, "take", lambda self, key, *more: asked.add(key) or take(self, key, *more)
    )
    text = (publisher_folder / "example.toml").read_text()
    settings, problems = module.read_settings(publisher_folder / "example.toml")
    assert problems == []
    assert len(settings.transmitters) == 3
    words = set(re.sub(r"[={}\[\],]", " ", text).split())
    assert asked - words == set(), "keys that the example does not show"
    for name, units in module.UNITS.items():
        assert name in words, name
        assert set(units) <= words, name


def test_left_out_is_as_in_the_example(module: ModuleType, publisher_folder: Path, tmp_path: Path) -> None:
    whole, _ = module.read_settings(publisher_folder / "example.toml")
    text = (publisher_folder / "example.toml").read_text()
    bare = tmp_path / "bare.toml"
    bare.write_text(
        'site = "alder-ridge"\n[broker]\nhost = "broker.example.org"\n'
        + text[text.index("# A table for each") :]
    )
    made, problems = module.read_settings(bare)
    assert problems == []
    differ = {
        name
        for name in module.Settings.__dataclass_fields__
        if name not in ("tls", "transmitters") and getattr(made, name) != getattr(whole, name)
    }
    # A path of the system is for the unit; by itself the script keeps to where it is started.
    assert differ == {"spool"}


def test_every_problem_is_told_at_once(module: ModuleType, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(
        """
site = "a/b"
[broker]
port = 70000
tls = "yes"
colour = "red"
password_file = "/nonexistent/password"
[clock]
not_before = "2026-01-01"
[spool]
most_reports = 1.5
[[transmitter]]
name = "rpt-1"
every_s = 0
source = { file = "a", command = ["b"] }
[transmitter.values]
forward = { unit = "hp" }
[[transmitter]]
name = "rpt-1"
source = { modbus = "host:port" }
[transmitter.values]
forward = { unit = "W" }
reflected = { register = 1, unit = "W", bit = 16 }
sparkle = { register = 1 }
"""
    )
    settings, problems = module.read_settings(path)
    assert settings is None
    wanted = [
        "site: got 'a/b', wanted a name without / + #",
        "broker.host: missing, wanted a name or an address, without scheme and port",
        "broker.port: got 70000, wanted a whole number from 1 to 65535",
        "broker.tls: got 'yes', wanted true or false",
        "broker.colour: got 'red', wanted no such key",
        "broker.password_file: got '/nonexistent/password', wanted a file that can be read",
        "clock.not_before: got '2026-01-01', wanted a time with offset",
        "spool.most_reports: got 1.5, wanted a whole number",
        "transmitter rpt-1.every_s: got 0, wanted a number from 0.1",
        "transmitter rpt-1.source: got ['command', 'file'], wanted one of the keys",
        "transmitter rpt-1.values.forward.unit: got 'hp', wanted one of W, mW, kW, dBm, dBW",
        "transmitter rpt-1.values.reflected: missing",
        "transmitter rpt-1.source.modbus: got 'host:port', wanted an address",
        "transmitter rpt-1.values.forward.register: missing",
        "transmitter rpt-1.values.reflected.bit: got 16",
        "transmitter rpt-1.values.sparkle: got {'register': 1}, wanted no such key",
        "transmitter: got 'rpt-1' twice",
    ]
    for one in wanted:
        assert sum(one in problem for problem in problems) == 1, (one, problems)
    assert all(problem.startswith(f"{path}: ") for problem in problems)
    assert len(problems) == len(wanted), problems


def test_wrong_settings_end_it_with_status_1(publisher_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text("site = ")
    script = publisher_folder / "standingwatch_publisher.py"
    for words, status in (([], 1), (["--check"], 1), (["--no-such"], 2)):
        done = subprocess.run(
            [sys.executable, script, "--settings", path, *words], capture_output=True, text=True, check=False
        )
        assert done.returncode == status
        assert "bad.toml" in done.stderr or status == 2


# The spool ----------------------------------------------------------------------------------------------


def test_reports_that_it_makes_fit_the_schema(module: ModuleType, tmp_path: Path) -> None:
    spool, clock = module.Spool(tmp_path / "reports.sqlite", 100), module.Clock()
    spool.put(
        "rpt-1", 1_795_000_000_250_000, clock, {"forward_w": 98.2, "swr": 1.2, "keyed": True, "channel": "A"}
    )
    (_, time_us, body) = spool.next("rpt-1", 0, 5)[0]
    report = {"time": module.show_time(time_us), **json.loads(body)}
    Draft7Validator(report_schema()).validate(report)
    assert report["time"] == "2026-11-18T11:06:40.250000Z"
    assert report["sequence"] == 1
    spool.close()


def test_the_oldest_are_dropped_and_counted(module: ModuleType, tmp_path: Path) -> None:
    path, clock = tmp_path / "reports.sqlite", module.Clock()
    spool = module.Spool(path, 100)
    for number in range(130):
        spool.put("rpt-1", number, clock, {"forward_w": number, "swr": 1})
    assert spool.waiting == 100
    assert [json.loads(body)["sequence"] for _, _, body in spool.next("rpt-1", 0, 999)] == list(
        range(31, 131)
    )
    assert spool.note("dropped") == "30"
    spool.close()
    # A smaller most of later settings holds for what is there already.
    spool = module.Spool(path, 10)
    spool.put("rpt-1", 130, clock, {"forward_w": 130, "swr": 1})
    assert spool.waiting == 10
    assert spool.note("dropped") == "121"
    spool.close()


def test_numbers_go_on_after_a_restart_and_never_come_twice(module: ModuleType, tmp_path: Path) -> None:
    path, clock = tmp_path / "reports.sqlite", module.Clock()
    seen = []
    for _ in range(3):
        spool = module.Spool(path, 100)
        spool.put("rpt-1", 1, clock, {"forward_w": 1.0, "swr": 1})
        rows = spool.next("rpt-1", 0, 5)
        seen += [(number, json.loads(body)["sequence"]) for number, _, body in rows]
        spool.remove([number for number, _, _ in rows])
        assert spool.waiting == 0
        spool.close()
    assert [sequence for _, sequence in seen] == [1, 2, 3]
    assert len({number for number, _ in seen}) == 3


@pytest.mark.parametrize("damage", ["header", "middle", "text"])
def test_a_damaged_file_is_put_aside(
    module: ModuleType, tmp_path: Path, damage: str, caplog: pytest.LogCaptureFixture
) -> None:
    path, clock = tmp_path / "reports.sqlite", module.Clock()
    spool = module.Spool(path, 1000)
    for number in range(500):
        spool.put("rpt-1", number, clock, {"forward_w": number, "swr": 1})
    spool.close()
    content = bytearray(path.read_bytes())
    if damage == "header":
        content[:100] = b"x" * 100
    elif damage == "middle":
        content[4096:40_960] = os.urandom(36_864)
    else:
        content = bytearray(b"this is no database\n" * 300)
    path.write_bytes(content)
    spool = module.Spool(path, 1000)
    assert spool.waiting == 0
    spool.put("rpt-1", 1, clock, {"forward_w": 1, "swr": 1})
    spool.close()
    aside = list(tmp_path.glob("reports.sqlite.damaged-*"))
    assert [one.read_bytes() for one in aside] == [bytes(content)]
    assert "is damaged" in caplog.text


def test_a_locked_file_is_not_taken_for_a_damaged_one(
    module: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "reports.sqlite"
    module.Spool(path, 100).close()
    connect = sqlite3.connect
    monkeypatch.setattr(
        module.sqlite3, "connect", lambda *words, **more: connect(*words, **{**more, "timeout": 0.1})
    )
    with closing(connect(path)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            module.Spool(path, 100)
    assert list(tmp_path.glob("*damaged*")) == []


def test_it_keeps_to_the_language_of_python_3_9(publisher_folder: Path) -> None:
    text = (publisher_folder / "standingwatch_publisher.py").read_text()
    ast.parse(text, feature_version=(3, 9))
    with pytest.raises(SyntaxError, match=r"only supported in Python 3\.10"):
        ast.parse("match 1:\n  case 1: pass\n", feature_version=(3, 9))


# What is beside it --------------------------------------------------------------------------------------


def test_the_unit_is_one(publisher_folder: Path) -> None:
    unit = publisher_folder / "standingwatch-publisher.service"
    text = unit.read_text()
    assert "--settings /etc/standingwatch-publisher.toml" in text
    verify = shutil.which("systemd-analyze")
    if verify is None:
        return  # nothing here knows units; where systemd is, as in CI, it judges
    done = subprocess.run([verify, "verify", unit], capture_output=True, text=True, check=False)
    wrong = [line for line in done.stderr.splitlines() if "is not executable" not in line]
    assert [line for line in wrong if "standingwatch-publisher" in line] == []


def test_the_readme_tells_every_option_and_the_python(publisher_folder: Path) -> None:
    readme = (publisher_folder / "README.md").read_text()
    script = publisher_folder / "standingwatch_publisher.py"
    shown = subprocess.run(
        [sys.executable, script, "--help"], capture_output=True, text=True, check=True
    ).stdout
    for word in ("--settings", "--check", "--once", "--wait"):
        assert word in shown
        assert word in readme
    assert "Python 3.9" in readme
    for file in publisher_folder.iterdir():
        assert file.name in readme or file.name in ("README.md", "__pycache__"), file.name
