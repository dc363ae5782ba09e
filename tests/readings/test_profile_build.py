"""Profiles from what an engineer writes: what is wrong is told with its key, all of it at once."""

from __future__ import annotations

import json
import re
import tomllib
from itertools import chain
from pathlib import Path
from typing import Any

import pytest

from standingwatch.readings import Reading
from standingwatch.readings.profile import Profile, ProfileProblem, build_profile, read_message
from standingwatch.readings.profile.build_field import SOURCE_KEYS
from standingwatch.readings.profile.model import FIELD_NAMES, FORMATS, QUANTITIES, TIME_FORMS
from standingwatch.readings.profile.quantities import UNITS

GOOD = """
title = "A gateway"
topic = "plant/{site}/rf/{transmitter}/status"
format = "json"
[fields.forward]
pointer = "/fwd"
unit = "W"
[fields.reflected]
pointer = "/rfl"
unit = "W"
"""
NUMBERS = """
topic = "{site}/power/{transmitter}/{quantity}"
format = "number"
[number.quantities]
FWD = "forward"
RFL = "reflected"
[fields.forward]
unit = "W"
[fields.reflected]
unit = "W"
"""


def built(text: str, name: str = "gateway") -> Profile:
    """The profile of a text that is right."""
    profile, problems = build_profile(name, tomllib.loads(text))
    assert problems == []
    assert profile is not None
    return profile


def wrong(text: str, name: str = "gateway") -> list[ProfileProblem]:
    """The problems of a text that is not."""
    profile, problems = build_profile(name, tomllib.loads(text))
    assert profile is None
    assert problems
    return problems


def test_a_profile_says_what_its_file_says() -> None:
    profile = built(
        GOOD
        + """
        scale = 0.5
        offset = -1
        missing = [-999, "NaN"]
        [fields.time]
        pointer = ["/date", "/time"]
        form = "%d.%m.%Y %H:%M:%S"
        zone = "Europe/Berlin"
        [fields.keyed]
        jmespath = "flags[0]"
        in = "payload"
        true = ["ON"]
        false = ["OFF"]
        [json]
        reports = "/data"
        [constants]
        channel = "A"
        frequency_mhz = 155.34
        set_power_w = 50
        keyed = true
        [sites]
        "0017" = "hill-03"
        [transmitters]
        "T1" = "tx-1"
        "hill-03/T2" = "tx-2"
        """
    )
    assert (profile.name, profile.title, profile.format) == ("gateway", "A gateway", "json")
    assert profile.topic.filter == "plant/+/rf/+/status"
    assert profile.topic.parts == ("site", "transmitter")
    fields = profile.rules.fields
    assert (fields["reflected"].scale, fields["reflected"].offset) == (0.5, -1.0)
    assert fields["reflected"].missing == (-999, "NaN")
    assert fields["time"].source.names == ("/date", "/time")
    assert (fields["keyed"].source.kind, fields["keyed"].source.whole) == ("jmespath", True)
    assert profile.json.pointer == ("data",)
    assert profile.rules.constants == {
        "channel": "A",
        "frequency_mhz": 155.34,
        "set_power_w": 50.0,
        "keyed": True,
    }
    assert profile.sites == {"0017": "hill-03"}
    assert profile.transmitters == {"T1": "tx-1", "hill-03/T2": "tx-2"}


def test_a_topic_gives_its_parts() -> None:
    topic = built(GOOD).topic
    assert topic.match("plant/a/rf/b/status") == {"site": "a", "transmitter": "b"}
    for other in ("plant/a/rf/b", "plant/a/rf/b/status/x", "plant/a/xx/b/status", "", "plant/a/rf/b/Status"):
        assert topic.match(other) is None


def test_every_field_can_be_had() -> None:
    more = {name: "" for name in FIELD_NAMES if name not in ("forward", "reflected")}
    units = dict.fromkeys(("set_power",), "W") | {
        "frequency": "kHz",
        "pa_temperature": "degF",
        "ambient_temperature": "degC",
        "precipitation": "mm/h",
        "wind": "kn",
    }
    text = GOOD
    for name in more:
        text += f'[fields.{name}]\npointer = "/{name}"\n'
        text += f'unit = "{units[name]}"\n' if name in QUANTITIES else ""
    assert set(built(text).rules.fields) == set(FIELD_NAMES)


# What holds at a place ----------------------------------------------------------------------------------


def test_a_place_replaces_whole_keys_of_a_field() -> None:
    profile = built(
        GOOD
        + """
        [constants]
        channel = "A"
        [at."hill-03"]
        fields.forward.scale = 0.2
        constants.channel = "B"
        [at."hill-03/tx-1"]
        fields.forward.unit = "dBm"
        fields.reflected = { jmespath = "rfl", unit = "SWR" }
        [at."hill-04"]
        fields.wind = { pointer = "/w", unit = "m/s" }
        """
    )
    everywhere, hill, one = (
        profile.rules_for(*place) for place in (("x", "y"), ("hill-03", "y"), ("hill-03", "tx-1"))
    )
    assert (everywhere.fields["forward"].scale, everywhere.fields["forward"].unit) == (1.0, "W")
    assert (hill.fields["forward"].scale, hill.fields["forward"].unit) == (0.2, "W")
    assert (one.fields["forward"].scale, one.fields["forward"].unit) == (0.2, "dBm")
    assert str(one.fields["forward"].source) == "pointer '/fwd'"
    # Another way to say where it stands takes the place of the one that holds everywhere.
    assert str(one.fields["reflected"].source) == "jmespath 'rfl'"
    assert [rules.constants["channel"] for rules in (everywhere, hill, one)] == ["A", "B", "B"]
    assert "wind" in profile.rules_for("hill-04", "y").fields
    assert "wind" not in everywhere.fields


def test_what_is_wrong_at_a_place_is_told_there_and_what_holds_everywhere_once() -> None:
    problems = wrong(
        GOOD.replace('pointer = "/fwd"', 'pointer = "fwd"')
        + """
        [at.a]
        fields.forward.scale = 0
        [at."a/b"]
        fields.reflected.unit = "V"
        """
    )
    assert [problem.key for problem in problems] == [
        ("fields", "forward", "pointer"),
        ("at", "a", "fields", "forward", "scale"),
        ("at", "a/b", "fields", "reflected", "unit"),
    ]


# What is wrong ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "key", "mend"),
    [
        ('format = "json"', 'format = "jsn"', ("format",), "did you mean json?"),
        ('format = "json"', "", ("format",), "give format"),
        ('unit = "W"', 'unit = "dbm"', ("fields", "forward", "unit"), "did you mean dBm?"),
        ('unit = "W"', "", ("fields", "forward", "unit"), "give unit"),
        ('unit = "W"', 'unit = "SWR"', ("fields", "forward", "unit"), ""),
        ('unit = "W"', 'unit = "V"', ("fields", "forward", "unit"), "scale and offset"),
        ('unit = "W"', 'unit = "W"\nunits = "W"', ("fields", "forward", "units"), "did you mean unit?"),
        ('unit = "W"', 'unit = "W"\nscale = "2"', ("fields", "forward", "scale"), "without quotes"),
        ('unit = "W"', 'unit = "W"\nscale = 0', ("fields", "forward", "scale"), ""),
        ('unit = "W"', 'unit = "W"\noffset = nan', ("fields", "forward", "offset"), ""),
        ('unit = "W"', 'unit = "W"\nmissing = -999', ("fields", "forward", "missing"), "between brackets"),
        (
            'unit = "W"',
            'unit = "W"\ntable = [[0,1],[1,2]]',
            ("fields", "forward", "table_unit"),
            "give table_unit",
        ),
        ('unit = "W"', 'unit = "V"\ntable_unit = "W"', ("fields", "forward", "table"), "give table"),
        ('unit = "W"', 'unit = "V"\ntable_unit = "W"\ntable = [[0,1]]', ("fields", "forward", "table"), ""),
        (
            'unit = "W"',
            'unit = "V"\ntable_unit = "W"\ntable = [[0,1],[0,2]]',
            ("fields", "forward", "table"),
            "",
        ),
        ('unit = "W"', 'unit = "V"\ntable_unit = "W"\ntable = [0, 1]', ("fields", "forward", "table"), ""),
        (
            'unit = "W"',
            'unit = "V"\ntable_unit = "W"\ntable = [[0,1],[1,inf]]',
            ("fields", "forward", "table"),
            "",
        ),
        (
            'unit = "W"',
            'unit = "V"\ntable_unit = "mV"\ntable = [[0,1],[1,2]]',
            ("fields", "forward", "table_unit"),
            "",
        ),
        ('pointer = "/fwd"', 'pointer = "fwd"', ("fields", "forward", "pointer"), ""),
        ('pointer = "/fwd"', "pointer = 1", ("fields", "forward", "pointer"), "quotes"),
        ('pointer = "/fwd"', 'pointer = ["/a", "/b"]', ("fields", "forward", "pointer"), ""),
        ('pointer = "/fwd"', 'jmespath = "a["', ("fields", "forward", "jmespath"), ""),
        ('pointer = "/fwd"', "", ("fields", "forward"), "say where forward stands"),
        ('pointer = "/fwd"', 'column = "fwd"', ("fields", "forward", "column"), 'format = "json"'),
        (
            'pointer = "/fwd"',
            'pointer = "/fwd"\njmespath = "fwd"',
            ("fields", "forward", "jmespath"),
            "take one",
        ),
        ('pointer = "/fwd"', 'part = "sit"', ("fields", "forward", "part"), "did you mean site?"),
        ('pointer = "/fwd"', 'part = "site"\nin = "payload"', ("fields", "forward", "in"), "take it away"),
        ('title = "A gateway"', "title = 1", ("title",), "quotes"),
        ('title = "A gateway"', 'titel = "x"', ("titel",), "did you mean title?"),
        ("{site}/rf", "+/rf", ("topic",), "write {name}"),
        ("{site}/rf", "{Site}/rf", ("topic",), ""),
        ("{site}/rf", "hill-{site}/rf", ("topic",), "name the whole level"),
        ("{site}/rf", "{transmitter}/rf", ("topic",), ""),
        ("{site}/rf", "hill/rf", ("topic",), ""),
        ("plant/{site}/rf/{transmitter}/status", "{site}/{transmitter}", ("topic",), ""),
        ("plant/{site}/rf/{transmitter}/status", "", ("topic",), ""),
        ('topic = "plant/{site}/rf/{transmitter}/status"', "", ("topic",), "give topic"),
        ("[fields.forward]", "[fields.forwards]", ("fields", "forwards"), "did you mean forward?"),
        ("[fields.reflected]", "[fields.wind]", ("fields", "wind", "unit"), ""),
    ],
)
def test_a_problem_names_its_key(old: str, new: str, key: tuple[str, ...], mend: str) -> None:
    assert old in GOOD
    problems = wrong(GOOD.replace(old, new, 1))
    found = [problem for problem in problems if problem.key == key]
    assert found, problems
    assert mend in found[0].mend
    assert found[0].got
    assert found[0].wanted


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ("[json]\nreports = 'data'", ("json", "reports")),
        ("[json]\nreports = '/a'\nreports_jmespath = 'a'", ("json", "reports_jmespath")),
        ("[json]\nreports_jmespath = 'a['", ("json", "reports_jmespath")),
        ("[csv]\nseparator = ';'", ("csv",)),
        ("[fields.time]\npointer = '/t'\nform = 'iso'", ("fields", "time", "form")),
        ("[fields.time]\npointer = '/t'\nform = '%H:%M'", ("fields", "time", "form")),
        ("[fields.time]\npointer = '/t'\nzone = 'Berlin'", ("fields", "time", "zone")),
        ("[fields.time]\npointer = '/t'\nform = 'unix_s'\nzone = 'UTC'", ("fields", "time", "zone")),
        ("[fields.keyed]\npointer = '/k'\ntrue = [1]\nfalse = ['1']", ("fields", "keyed", "true")),
        ("[fields.channel]\npointer = '/c'\nunit = 'W'", ("fields", "channel", "unit")),
        ("[constants]\nchanel = 'x'", ("constants", "chanel")),
        ("[constants]\nfrequency_mhz = -1", ("constants", "frequency_mhz")),
        ("[constants]\nkeyed = 'yes'", ("constants", "keyed")),
        ("[constants]\nchannel = 7", ("constants", "channel")),
        ("[sites]\n'0017' = 17", ("sites", "0017")),
        ("[sites]\n'0017' = ''", ("sites", "0017")),
        ("[at.a]\nscale = 1", ("at", "a", "scale")),
        ("[at.a.fields.site]\npointer = '/s'", ("at", "a", "fields")),
        ("[at.a.constants]\nsite = 's'", ("at", "a", "constants")),
        ("[at.'a/b/c'.constants]\nchannel = 's'", ("at", "a/b/c")),
        ("[at]\na = 1", ("at", "a")),
        ("[nmber]\nwindow_s = 1", ("nmber",)),
    ],
)
def test_a_problem_of_a_further_table(more: str, key: tuple[str, ...]) -> None:
    assert key in [problem.key for problem in wrong(GOOD + more)]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('FWD = "forward"\n', "", ("number", "quantities")),
        ('[number.quantities]\nFWD = "forward"\nRFL = "reflected"\n', "", ("number", "quantities")),
        ('FWD = "forward"', 'FWD = "fwd"', ("number", "quantities", "FWD")),
        ('FWD = "forward"', 'FWD = "forward"\nT = "time"', ("number", "quantities", "T")),
        ('FWD = "forward"', 'FWD = "forward"\nT = "pa_temperature"', ("fields",)),
        ("{quantity}", "{what}", ("topic",)),
        ("[number.quantities]", "[number]\nwindow_s = 0\n[number.quantities]", ("number", "window_s")),
        ("[number.quantities]", "[number]\npointer = 'v'\n[number.quantities]", ("number", "pointer")),
    ],
)
def test_a_problem_of_bare_numbers(old: str, new: str, key: tuple[str, ...]) -> None:
    built(NUMBERS)
    assert key in [problem.key for problem in wrong(NUMBERS.replace(old, new, 1))]


CSV = GOOD.replace('"json"', '"csv"').replace('pointer = "/', 'column = "')


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ("[csv]\nseparator = ';;'", ("csv", "separator")),
        ("[csv]\ndecimal = ','", ("csv", "decimal")),
        ("[csv]\nheader = false", ("fields", "forward", "column")),
        ("[csv]\ncolumns = ['fwd', 'x']", ("fields", "reflected", "column")),
        ("[csv]\ncolumns = ['fwd', 'rfl']\nheader = true", ("csv", "columns")),
        ("[csv]\ncolumns = ['fwd', 'rfl', 'fwd']", ("csv", "columns")),
        ("[csv]\nskip_lines = -1", ("csv", "skip_lines")),
    ],
)
def test_a_problem_of_csv(more: str, key: tuple[str, ...]) -> None:
    built(CSV)
    assert key in [problem.key for problem in wrong(CSV + more)]


@pytest.mark.parametrize("name", ["", "a b", "../x", "-x", "x" * 65, "ä"])
def test_a_name_that_a_site_list_could_not_hold(name: str) -> None:
    assert wrong(GOOD, name)[0].key == ()


def test_all_problems_show_at_once() -> None:
    text = GOOD.replace('"json"', '"jsn"').replace('unit = "W"', 'unit = "Watt"').replace('"/rfl"', '"rfl"')
    keys = {problem.key for problem in wrong(text + "[nope]\n")}
    assert keys >= {
        ("format",),
        ("fields", "forward", "unit"),
        ("fields", "reflected", "unit"),
        ("fields", "reflected", "pointer"),
        ("nope",),
    }


@pytest.mark.parametrize("key", ["topic", "format", "fields", "json", "sites", "at", "constants"])
@pytest.mark.parametrize("value", [1, "x", [], True, {"a": {"b": 1}}])
def test_anything_in_the_place_of_a_key_is_told(key: str, value: Any) -> None:
    data = tomllib.loads(GOOD)
    data[key] = value
    profile, problems = build_profile("x", data)
    assert profile is None
    assert any(problem.key[:1] == (key,) for problem in problems)


EXAMPLE = (Path(__file__).parents[2] / "config" / "profile-example.toml").read_text()


def test_the_example_has_every_key_and_reads_what_it_says() -> None:
    profile = built(EXAMPLE)
    keys = {*chain(*SOURCE_KEYS.values()), *TIME_FORMS, *FIELD_NAMES, *UNITS, *FORMATS}
    keys |= {
        "scale",
        "offset",
        "table",
        "table_unit",
        "missing",
        "true",
        "false",
        "form",
        "zone",
        "in",
        "unit",
    }
    keys |= {"reports", "reports_jmespath", "separator", "decimal", "skip_lines", "header", "columns"}
    keys |= {
        "window_s",
        "quantities",
        "sites",
        "transmitters",
        "at",
        "frequency_mhz",
        "set_power_w",
        "channel",
    }
    words = set(re.split(r"[\s\"'(),.;:=\[\]]+", EXAMPLE))
    assert keys - words == set()
    report = {
        "power": {"forward": 2500, "swr": 1.5},
        "at": "01.03.2026 13:00:00",
        "ptt": "OFF",
        "flags": ["FB"],
    }
    payload = json.dumps({"temperature": 104, "data": [report]}).encode()
    found = read_message(profile, "plant/0017/rf/T2/low", payload, 0, time_if_absent="refuse")
    assert [(one.site, one.transmitter, one.reading) for one in found.placed] == [
        (
            "hill-03",
            "tx-2",
            Reading(1_772_366_400_000_000, 100.0, 4.0, False, 155.34, "low", 100.0, True, 40.0),
        )
    ]


@pytest.mark.parametrize(
    ("begin", "end", "topic", "fields"),
    [
        (
            "# [csv]",
            "# With format",
            "a/{site}/{transmitter}",
            'forward.column = "fwd"\nreflected.column = "rfl"',
        ),
        ("# [number]", "[fields.forward]", "a/{site}/{transmitter}/{quantity}", ""),
    ],
)
def test_what_the_example_says_of_other_formats_is_right(
    begin: str, end: str, topic: str, fields: str
) -> None:
    block = EXAMPLE[EXAMPLE.index(begin) :]
    lines = [line.removeprefix("# ") for line in block[: block.index(end)].splitlines()]
    # Of the two ways to name columns one can be chosen.
    chosen = "\n".join(line for line in lines if not line.startswith("header"))
    format = begin.strip("# []")
    head = f'topic = "{topic}"\nformat = "{format}"\n'
    units = 'forward.unit = "W"\nreflected.unit = "W"\n'
    built(f"{head}{chosen}\n[fields]\n{units}{fields}")
