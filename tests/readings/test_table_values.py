"""Rows of a table to readings: each value as the functions for one value have it, each bad row alone."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet
from standingwatch.readings.profile.model import QUANTITIES
from standingwatch.readings.profile.quantities import FIELD_KINDS, UNITS, calibrated, reflected_w, to_base
from standingwatch.readings.table_map import CsvMap, FieldMap, TableMap, map_of_heading
from standingwatch.readings.table_values import TableRead, read_batch
from standingwatch.readings.times import BadTimeError, parse_time

NOON = "2026-03-01T12:00:00Z"
NOON_US = 1_772_366_400_000_000


def fleet_of(text: str = "amber,a1,446\namber,a2,446\nbirch,b1,446\n") -> Fleet:
    rows = read_inventory_text(f"site,transmitter,frequency_mhz\n{text}", "fleet.csv").rows
    return build_fleet(rows, np.arange(1, len(rows) + 1), FleetDefaults())


FLEET = fleet_of()


def read(
    table_map: TableMap, names: dict[str, str] | None = None, **columns: list[Any] | pa.Array
) -> TableRead:
    arrays = {
        name: column if isinstance(column, pa.Array) else pa.array(column, pa.string())
        for name, column in columns.items()
    }
    batch = pa.RecordBatch.from_arrays(list(arrays.values()), names=list(arrays))
    return read_batch(table_map, batch, names or {}, FLEET)


def values(
    field: FieldMap, texts: list[Any] | pa.Array, name: str = "reflected", decimal: str = "."
) -> tuple[list[float], list[tuple[int, str, str]]]:
    """What becomes of one field, with 100 W forward; and what was refused."""
    fields = {
        "time": FieldMap("time"),
        "forward": FieldMap("fwd", "W"),
        "reflected": FieldMap("rfl", "W"),
        name: field,
    }
    table_map = TableMap(fields, CsvMap(decimal=decimal), constants={"site": "birch", "transmitter": "b1"})
    count = len(texts)
    found = read(
        table_map,
        time=[f"2026-03-01T12:{i // 60:02d}:{i % 60:02d}Z" for i in range(count)],
        fwd=["100"] * count,
        rfl=["1"] * count,
        x=texts,
    )
    column = getattr(found.readings, QUANTITIES.get(name, name))
    return column.tolist(), [tuple(one) for one in found.refusals]


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        (name, unit.name)
        for name, kinds in FIELD_KINDS.items()
        for unit in UNITS.values()
        if unit.kind in kinds
    ],
)
@given(
    st.lists(st.floats(-400, 400) | st.sampled_from([0.0, 1.0, math.inf, -math.inf]), min_size=1, max_size=20)
)
@example([1.0, 1.5, 20.0, 0.1, -3.0, 99.9, 100.0, 250.0])
def test_every_unit_as_one_value_has_it(name: str, unit: str, numbers: list[float]) -> None:
    found, refused = values(FieldMap("x", unit), pa.array(numbers, pa.float64()), name)
    wanted, wrong = [], []
    for row, number in enumerate(numbers):
        try:
            wanted.append(reflected_w(100.0, number, unit) if name == "reflected" else to_base(number, unit))
        except ValueError as error:
            wrong.append((row, "bad-value", f"column x {error}"))
    assert refused == wrong
    # A power of ten may differ in its last bit from array to scalar.
    assert found == pytest.approx(wanted, rel=4e-16, abs=0)


def test_scale_offset_and_a_detector() -> None:
    table = ((0.0, 0.0), (0.5, 1.0), (1.0, 4.0))
    field = FieldMap("x", "V", scale=0.001, offset=0.1, table=table, table_unit="W")
    found, refused = values(field, ["0", "150", "400", "900", "950", "-101"])
    assert found == pytest.approx([0.2, 0.5, 1.0, 4.0])
    assert [(row, reason) for row, reason, _ in refused] == [(4, "out-of-table"), (5, "out-of-table")]
    with pytest.raises(ValueError, match="outside") as told:
        calibrated(950 * 0.001 + 0.1, table)
    assert refused[0][2] == f"column x {told.value}"


def test_what_is_missing_and_what_is_no_number() -> None:
    field = FieldMap("x", "degC", missing=(-999.0, "n/a"))
    texts = ["20.5", " -999 ", "n/a", "", None, "warm", "NaN", "+3", "1e2", "-999.0", "1,5"]
    found, refused = values(field, texts, "ambient_temperature")
    assert found == pytest.approx([20.5, *[math.nan] * 4, 3.0, 100.0, math.nan], nan_ok=True)
    assert [(row, reason) for row, reason, _ in refused] == [
        (5, "not-a-number"),
        (6, "not-a-number"),
        (10, "not-a-number"),
    ]
    assert "'warm'" in refused[0][2]
    found, refused = values(FieldMap("x", "degC"), ["1,5", "2.5"], "ambient_temperature", ",")
    assert (found, refused) == ([1.5, 2.5], [])


def test_rows_without_a_power_are_refused() -> None:
    found, refused = values(FieldMap("x", "W", missing=("-",)), ["1", "", "-"])
    assert found == [1.0]
    assert refused == [
        (1, "no-power", "column x: no reflected power"),
        (2, "no-power", "column x: no reflected power"),
    ]


def test_truth_values_sequences_and_channels() -> None:
    table_map = TableMap(
        {
            "time": FieldMap("time"),
            "forward": FieldMap("f", "W"),
            "reflected": FieldMap("r", "W"),
            "keyed": FieldMap("k", true=("on",), false=("off",)),
            "sequence": FieldMap("n"),
            "channel": FieldMap("c"),
        },
        constants={"site": "birch", "transmitter": "b1", "set_power_w": 50},
    )
    count = 8
    found = read(
        table_map,
        time=[f"2026-03-01T12:00:{i:02d}Z" for i in range(count)],
        f=["10"] * count,
        r=["1"] * count,
        k=["ON", "off", "", "maybe", "on", "on", "on", "on"],
        n=["1", "2", "", "4", "-5", "6.5", "9007199254740993", "8"],
        c=["A", "", None, "B", "B", "B", "A", "x" * 101],
    )
    assert found.readings.keyed.tolist() == [1, 0, -1, 1]
    assert found.readings.sequence.tolist() == [1, 2, -1, 9_007_199_254_740_992]
    assert found.readings.channel.tolist() == ["A", "", "", "A"]
    assert found.readings.set_power_w.tolist() == [50.0] * 4
    assert [(one.row, one.reason) for one in found.refusals] == [(r, "bad-value") for r in (3, 4, 5, 7)]


def test_places() -> None:
    fields = map_of_heading(["site", "transmitter", "time", "forward_w", "reflected_w"]).fields
    table_map = TableMap(fields, sites={"17": "amber"}, transmitters={"amber/one": "a1", "two": "a2"})
    rows = [
        ("amber", "a1"),
        ("17", "one"),
        ("17", "two"),
        ("birch", "b1"),
        ("birch", "two"),
        ("", "a1"),
        ("cedar", "c1"),
    ]
    found = read(
        table_map,
        site=[site for site, _ in rows],
        transmitter=[name for _, name in rows],
        time=[NOON] * len(rows),
        forward_w=["1"] * len(rows),
        reflected_w=["0"] * len(rows),
    )
    assert found.readings.transmitter.tolist() == [0, 0, 1, 2]
    assert found.rows.tolist() == [0, 1, 2, 3]
    assert [(one.row, one.reason) for one in found.refusals] == [
        (4, "unknown-transmitter"),
        (5, "unknown-place"),
        (6, "unknown-transmitter"),
    ]
    assert "'cedar'/'c1'" in found.refusals[2].detail
    # By the file's name; and a site with one transmitter needs no name for it.
    alone = TableMap({name: one for name, one in fields.items() if name not in ("site", "transmitter")})
    columns = {"time": [NOON], "forward_w": ["1"], "reflected_w": ["0"]}
    assert read(alone, {"site": "amber", "transmitter": "a2"}, **columns).readings.transmitter.tolist() == [1]
    assert read(alone, {"site": "birch"}, **columns).readings.transmitter.tolist() == [2]
    assert [one.reason for one in read(alone, {"site": "amber"}, **columns).refusals] == ["unknown-place"]


# Times --------------------------------------------------------------------------------------------------


def times(column: list[Any] | pa.Array, **form: Any) -> tuple[list[int], list[tuple[int, str]]]:
    table_map = TableMap(
        {"time": FieldMap("t", **form), "forward": FieldMap("f", "W"), "reflected": FieldMap("r", "W")},
        constants={"site": "birch", "transmitter": "b1"},
    )
    found = read(table_map, t=column, f=["10"] * len(column), r=["1"] * len(column))
    return found.readings.time_us.tolist(), [(one.row, one.reason) for one in found.refusals]


@pytest.mark.parametrize(
    ("column", "form"),
    [
        ([NOON, "2026-03-01T13:00:00+01:00", "2026-03-01 12:00:00Z"], {}),
        ([NOON, "2026-03-01t12:00:00z", " 2026-03-01T12:00:00.0000009Z "], {}),
        (["1772366400", "1772366400.0", "1.7723664e9"], {"form": "unix_s"}),
        (["1772366400000"], {"form": "unix_ms"}),
        (["1772366400000000"], {"form": "unix_us"}),
        (pa.array([NOON_US // 1_000_000, NOON_US // 1000], pa.int64()), {}),
        (pa.array([NOON_US / 1e6, NOON_US / 1e3], pa.float64()), {}),
        (pa.array([NOON_US], pa.int64()), {"form": "unix_us"}),
        (pa.array([NOON_US // 1000], pa.timestamp("ms", tz="UTC")), {}),
        (pa.array([NOON_US * 1000 + 999], pa.timestamp("ns", tz="Europe/Berlin")), {}),
        (pa.array([NOON_US + 3_600_000_000], pa.timestamp("us")), {"zone": "+01:00"}),
        (["2026-03-01T13:00:00", NOON], {"zone": "Europe/Berlin"}),
        (["01.03.2026 13:00", "01.03.2026 13:00"], {"form": "%d.%m.%Y %H:%M", "zone": "Europe/Berlin"}),
        (["01.03.2026 13:00 +0100"], {"form": "%d.%m.%Y %H:%M %z"}),
    ],
)
def test_noon_however_it_is_written(column: Any, form: dict[str, Any]) -> None:
    assert times(column, **form) == ([NOON_US] * len(column), [])


def test_a_leap_second_is_the_next_one() -> None:
    found, refused = times(["2016-12-31T23:59:60Z", "2016-12-30T23:59:60Z"])
    assert found == [parse_time("2017-01-01T00:00:00Z")]
    assert refused == [(1, "bad-time")]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-03-01T12:00:00", "no-offset"),
        ("", "no-time"),
        ("yesterday", "no-offset"),
        ("2026-02-30T12:00:00Z", "bad-time"),
        ("1999-12-31T23:59:59Z", "bad-time"),
        ("2101-01-01T00:00:00Z", "bad-time"),
    ],
)
def test_times_that_cannot_be_used(text: str, reason: str) -> None:
    assert times([NOON, text, NOON]) == ([NOON_US] * 2, [(1, reason)])


def test_typed_times_that_cannot_be_used() -> None:
    assert times(pa.array([NOON_US, None], pa.timestamp("us"))) == ([], [(0, "no-offset"), (1, "no-time")])
    assert times(pa.array([NOON_US // 10**6, None, 0, 2**62], pa.int64())) == (
        [NOON_US],
        [(1, "no-time"), (2, "bad-time"), (3, "bad-time")],
    )
    assert times(["soon", ""], form="unix_s") == ([], [(0, "bad-time"), (1, "no-time")])


def test_the_hour_that_comes_twice_and_the_one_that_never_comes() -> None:
    texts = ["2025-10-26T01:30:00", "2025-10-26T02:30:00", "2025-10-26T03:30:00", "2025-03-30T02:30:00"]
    utc = [
        datetime(2025, 10, 25, 23, 30, tzinfo=UTC),
        datetime(2025, 10, 26, 0, 30, tzinfo=UTC),
        datetime(2025, 10, 26, 2, 30, tzinfo=UTC),
    ]
    wanted = [int(one.timestamp()) * 1_000_000 for one in utc]
    assert times(texts, zone="Europe/Berlin") == (wanted, [(3, "bad-time")])
    naive = pa.array([datetime.fromisoformat(text) for text in texts], pa.timestamp("us"))
    assert times(naive, zone="Europe/Berlin") == (wanted, [(3, "bad-time")])


#: Local times, which get their offset as text.
MOMENTS = st.datetimes(
    datetime.fromisoformat("1990-01-01T00:00:00"), datetime.fromisoformat("2110-01-01T00:00:00")
)


@given(
    st.lists(
        MOMENTS.map(datetime.isoformat).flatmap(
            lambda text: st.sampled_from(["Z", "z", "+01:00", "-0330", "", "x"]).map(lambda end: text + end)
        )
        | st.text(st.characters(codec="utf-8"), max_size=12),
        min_size=1,
        max_size=8,
    )
)
def test_any_texts_as_one_time_has_it(texts: list[str]) -> None:
    found, refused = times(texts)
    wanted, wrong = [], []
    for row, text in enumerate(texts):
        try:
            wanted.append(parse_time(text.strip()))
        except BadTimeError:
            wrong.append(row)
    assert [row for row, _ in refused] == wrong
    assert found == wanted
