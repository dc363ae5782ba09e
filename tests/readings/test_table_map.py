"""The column map: what may stand in one, and everything that is wrong with one at once."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings.table_map import FIELDS, FieldMap, map_of_heading, zone_of
from standingwatch.readings.table_map_read import build_table_map
from standingwatch.settings.table_map import load_table_map

WHOLE = """
file = "{site}/{transmitter}.csv"

[csv]
separator = ";"
decimal = ","
encoding = "latin-1"
skip_lines = 2
columns = ["t", "fwd", "rfl", "ptt"]

[fields.time]
column = "t"
form = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Berlin"

[fields.forward]
column = "fwd"
unit = "V"
table = [[0.0, 0.0], [0.5, 1.0], [1.0, 4.1]]
table_unit = "W"

[fields.reflected]
column = "rfl"
unit = "dBm"
scale = 0.1
offset = -3
missing = [-999, "n/a"]

[fields.keyed]
column = "ptt"
true = ["ON", 1]
false = ["OFF", 0]

[constants]
frequency_mhz = 446
keyed = true

[sites]
"0017" = "hill-03"

[transmitters]
"hill-03/1" = "tx-1"
"""


def test_a_whole_map() -> None:
    found, problems = build_table_map(tomllib.loads(WHOLE))
    assert problems == []
    assert found is not None
    assert found.fields["reflected"] == FieldMap("rfl", "dBm", 0.1, -3.0, missing=(-999.0, "n/a"))
    assert found.fields["forward"].table == ((0.0, 0.0), (0.5, 1.0), (1.0, 4.1))
    assert found.fields["forward"].table_unit == "W"
    assert (found.fields["keyed"].true, found.fields["keyed"].false) == (("on", "1"), ("off", "0"))
    assert (found.fields["time"].form, found.fields["time"].zone) == ("%d.%m.%Y %H:%M:%S", "Europe/Berlin")
    assert (found.csv.separator, found.csv.decimal, found.csv.skip_lines) == (";", ",", 2)
    assert found.constants == {"frequency_mhz": 446, "keyed": True}
    assert found.names_in("/data/hill-03/tx-1.csv") == {"site": "hill-03", "transmitter": "tx-1"}
    assert found.names_in("/data/hill-03/tx-1.txt") is None


LEAST: dict[str, Any] = {
    "fields": {
        "time": {"column": "t"},
        "forward": {"column": "f", "unit": "W"},
        "reflected": {"column": "r", "unit": "W"},
    }
}


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"fields": {"forward": {"column": "f", "unit": "SWR"}}}, "fields.forward.unit"),
        ({"fields": {"forward": {"column": "f", "unit": "parsec"}}}, "fields.forward.unit"),
        ({"fields": {"reflected": {"column": "r", "unit": "count"}}}, "fields.reflected.unit"),
        ({"fields": {"reflected": {"column": "r"}}}, "fields.reflected.unit"),
        ({"fields": {"forward": {"unit": "W"}}}, "fields.forward.column"),
        ({"fields": {"forward": {"column": "f", "unit": "W", "scale": "x"}}}, "fields.forward.scale"),
        (
            {"fields": {"forward": {"column": "f", "unit": "W", "scale": float("nan")}}},
            "fields.forward.scale",
        ),
        ({"fields": {"forward": {"column": "f", "unit": "V", "table": [[1, 2]]}}}, "fields.forward.table"),
        (
            {
                "fields": {
                    "forward": {"column": "f", "unit": "V", "table": [[1, 2], [1, 3]], "table_unit": "W"}
                }
            },
            "fields.forward.table",
        ),
        ({"fields": {"forward": {"column": "f", "unit": "W", "zone": "UTC"}}}, "fields.forward.zone"),
        ({"fields": {"power": {"column": "f"}}}, "fields.power"),
        ({"fields": {"time": {"column": "t", "form": "%d.%m.%Y"}}}, "fields.time.zone"),
        ({"fields": {"time": {"column": "t", "form": "julian"}}}, "fields.time.form"),
        ({"fields": {"time": {"column": "t", "zone": "Mars/Olympus"}}}, "fields.time.zone"),
        ({"csv": {"separator": ";;"}}, "csv.separator"),
        ({"csv": {"separator": ",", "decimal": ","}}, "csv.decimal"),
        ({"csv": {"encoding": "klingon"}}, "csv.encoding"),
        ({"csv": {"skip_lines": -1}}, "csv.skip_lines"),
        ({"csv": {"columns": ["a", "a"]}}, "csv.columns"),
        ({"csv": {"colour": "red"}}, "csv.colour"),
        ({"constants": {"frequency_mhz": 0}}, "constants.frequency_mhz"),
        ({"constants": {"keyed": "yes"}}, "constants.keyed"),
        ({"constants": {"altitude": 3}}, "constants.altitude"),
        ({"constants": {"site": "a"}, "file": "{site}.csv"}, "fields.site"),
        ({"file": "{planet}.csv"}, "file"),
        ({"sites": {"1": 7}}, "sites.1"),
        ({"lines": 1}, "lines"),
    ],
)
def test_what_is_wrong_is_named(change: dict[str, Any], key: str) -> None:
    data = {**LEAST, **change, "fields": {**LEAST["fields"], **change.get("fields", {})}}
    found, problems = build_table_map(data)
    assert found is None
    assert [".".join(one.key) for one in problems] == [key]
    assert all(one.got and one.wanted for one in problems)
    # The same map without the change is a good one.
    assert build_table_map(LEAST)[1] == []


def test_all_problems_at_once_with_their_lines(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text('[csv]\nseparator = ""\n\n[fields.time]\ncolumn = "t"\n\n[fields.forward]\nunit = "W"\n')
    found, problems = load_table_map(path)
    assert found is None
    assert [(p.line, p.key) for p in problems] == [
        (7, "fields.forward.column"),
        (2, "csv.separator"),
        (4, "fields.reflected"),
    ]
    assert str(problems[0]) == (
        f"error: {path}:7: fields.forward.column: got nothing, wanted the name of a column"
    )
    path.write_text("[csv\n")
    found, problems = load_table_map(path)
    assert (found, len(problems)) == (None, 1)


def test_the_names_of_our_own_reports_need_no_map() -> None:
    found = map_of_heading(
        ["site", "transmitter", "time", "forward_dbm", "swr", "keyed", "colour", "sequence"]
    )
    assert {name: (one.column, one.unit) for name, one in found.fields.items()} == {
        "site": ("site", ""),
        "transmitter": ("transmitter", ""),
        "time": ("time", ""),
        "forward": ("forward_dbm", "dBm"),
        "reflected": ("swr", "SWR"),
        "keyed": ("keyed", ""),
        "sequence": ("sequence", ""),
    }


@pytest.mark.parametrize("name", ["+25:00", "+01:75", "", "UTC+1", "../etc/passwd", "Europe/Nowhere"])
def test_what_is_no_zone(name: str) -> None:
    with pytest.raises(ValueError, match="no zone"):
        zone_of(name)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=8), inside, max_size=3),
    max_leaves=8,
)
KEYS = st.sampled_from(
    ["column", "unit", "scale", "offset", "table", "table_unit", "missing", "true", "form", "zone"]
)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "file": VALUES,
            "csv": VALUES
            | st.dictionaries(
                st.sampled_from(["separator", "decimal", "encoding", "skip_lines", "columns"]), VALUES
            ),
            "fields": VALUES
            | st.dictionaries(st.sampled_from(FIELDS), VALUES | st.dictionaries(KEYS, VALUES)),
            "constants": VALUES,
            "sites": VALUES,
            "transmitters": VALUES,
        },
    )
)
def test_nothing_that_stands_in_a_map_is_a_crash(data: dict[str, Any]) -> None:
    found, problems = build_table_map(data)
    assert (found is None) == bool(problems)
