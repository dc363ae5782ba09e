"""Reading a file of history: what stands in it is read the same by every way through the reader."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet

import standingwatch.watch.history as history_module
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import COLUMNS, Fleet, Readings, parse_time
from standingwatch.watch.history import History, HistoryError, read_history

HEADING = "site,transmitter,frequency_mhz\n"
GOOD = "2026-01-01T00:00:00Z"
GOOD_US = 1_767_225_600_000_000


def fleet_of(rows: str) -> Fleet:
    inventory = read_inventory_text(HEADING + rows, "fleet.csv")
    assert inventory.errors == ()
    return build_fleet(inventory.rows, np.arange(len(inventory.rows)), FleetDefaults())


ALONE = fleet_of("amber,a1,446\n")
THREE = fleet_of("amber,a1,446\namber,a2,447\nbirch,a1,448\n")


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., History]:
    def from_text(text: str, fleet: Fleet = THREE) -> History:
        path = tmp_path / "history.csv"
        path.write_text(text)
        return read_history(path, fleet)

    return from_text


def of_times(path: Path, times: list[str]) -> History:
    """What is read of rows whose forward power is the row's number from 1."""
    rows = [f'"{time}",{number},0.5' for number, time in enumerate(times, 1)]
    path.write_text("\n".join(["time,forward_w,reflected_w", *rows]) + "\n")
    return read_history(path, ALONE)


def same(one: Readings, other: Readings) -> None:
    for name in ("transmitter", *COLUMNS, "flags"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


# Times --------------------------------------------------------------------------------------------------

# Forms that RFC 3339 allows, and what we take besides: an offset without colon, or in hours alone.
FORMS = [
    "2026-03-01T10:20:30Z",
    "2026-03-01T10:20:30z",
    "2026-03-01t10:20:30Z",
    "2026-03-01 10:20:30Z",
    "2026-03-01T10:20:30+00:00",
    "2026-03-01T10:20:30-00:00",
    "2026-03-01T10:20:30+05:30",
    "2026-03-01T10:20:30-08:00",
    "2026-03-01T10:20:30+0530",
    "2026-03-01T10:20:30.5Z",
    "2026-03-01T10:20:30.25+01:00",
    "2026-03-01T10:20:30.123456Z",
    "2026-03-01T10:20:30.123456789Z",
    "2026-03-01T10:20:30.999999999-08:00",
]


@pytest.mark.parametrize("form", FORMS)
def test_a_form_is_the_time_that_a_report_would_have(tmp_path: Path, form: str) -> None:
    # The first file can be read at once; the second not, for its last row, and goes the general way.
    alone = of_times(tmp_path / "alone.csv", [form] * 3)
    assert alone.readings.time_us.tolist() == [parse_time(form)] * 3
    assert not alone.refused
    mixed = of_times(tmp_path / "mixed.csv", [form] * 3 + ["soon"])
    assert dict(mixed.refused) == {"no-offset": 1}
    same(mixed.readings, alone.readings)


def test_hours_alone_are_an_offset_whatever_else_is_in_the_file(tmp_path: Path) -> None:
    form = "2026-03-01T10:20:30-05"
    alone = of_times(tmp_path / "alone.csv", [form])
    assert alone.readings.time_us.tolist() == [parse_time(f"{form}:00")]
    same(of_times(tmp_path / "mixed.csv", [form, "soon"]).readings, alone.readings)


@pytest.mark.parametrize(
    ("form", "reason"),
    [
        ("2026-03-01", "no-offset"),
        ("2026-03-01T10:20:30", "no-offset"),
        (" 2026-03-01", "no-offset"),
        ("soon", "no-offset"),
        ("", "bad-time"),
        ("  ", "bad-time"),
        ("2026-13-01T10:20:30Z", "bad-time"),
        ("2026-02-29T10:20:30Z", "bad-time"),
        ("2026-03-01T24:00:00Z", "bad-time"),
        ("2026-03-01T10:20:30+25:00", "bad-time"),
        ("1999-12-31T23:59:59Z", "bad-time"),
        ("2100-01-01T00:00:00Z", "bad-time"),
        ("2300-01-01T00:00:00.5Z", "bad-time"),
    ],
)
def test_what_is_no_time_is_refused_for_its_reason(tmp_path: Path, form: str, reason: str) -> None:
    history = of_times(tmp_path / "one.csv", [GOOD, form, GOOD])
    assert dict(history.refused) == {reason: 1}
    assert history.readings.forward_w.tolist() == [1, 3]
    # With a row besides that forces the general way.
    again = of_times(tmp_path / "two.csv", [GOOD, form, GOOD, "2026-13-01T00:00:00Z"])
    assert again.refused - history.refused == {"bad-time": 1}
    same(again.readings, history.readings)


@st.composite
def texts(draw: st.DrawFn) -> str:
    moment = draw(
        st.datetimes(min_value=pd.Timestamp("2000-01-02"), max_value=pd.Timestamp("2099-12-30")).map(
            lambda m: m.replace(microsecond=0)
        )
    )
    fraction = draw(st.sampled_from(["", "", ".5", ".123", ".123456", ".987654321"]))
    offset = draw(st.sampled_from(["Z", "Z", "Z", "z", "+00:00", "+05:30", "-0800", "-03"]))
    return f"{moment.isoformat()}{fraction}{offset}"


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(times=st.lists(texts(), min_size=1, max_size=12))
def test_both_ways_agree_on_any_mixture(tmp_path: Path, times: list[str]) -> None:
    history = of_times(tmp_path / "any.csv", times)
    general = of_times(tmp_path / "general.csv", [*times, "soon"])
    same(general.readings, history.readings)
    expected = [parse_time(time + (":00" if time[-3] == "-" else "")) for time in times]
    assert history.readings.time_us.tolist() == sorted(expected)
    # The rows go with their times, equal times in the order of the file.
    order = sorted(range(len(times)), key=lambda row: expected[row])
    assert history.readings.forward_w.tolist() == [row + 1 for row in order]


def test_numbers_are_seconds_or_milliseconds(tmp_path: Path) -> None:
    path = tmp_path / "numbers.csv"
    path.write_text(
        "time,forward_w,reflected_w\n"
        f"{GOOD_US // 1_000_000},1,0.5\n{GOOD_US // 1_000 + 1},2,0.5\n{GOOD_US / 1e6 + 0.25},3,0.5\n"
        ",4,0.5\n12,5,0.5\n"
    )
    history = read_history(path, ALONE)
    assert history.readings.time_us.tolist() == [GOOD_US, GOOD_US + 1_000, GOOD_US + 250_000]
    assert history.readings.forward_w.tolist() == [1, 2, 3]
    assert dict(history.refused) == {"bad-time": 2}


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_parquet_times_of_every_unit(tmp_path: Path, unit: str) -> None:
    time = pd.to_datetime(
        pd.Series([GOOD, "2026-01-01T01:00:01+01:00", None, "1980-01-01T00:00:00Z"]), utc=True
    )
    frame = pd.DataFrame(
        {"time": time.dt.as_unit(unit), "forward_w": [1.0, 2.0, 3.0, 4.0], "reflected_w": 0.5}
    )
    frame.to_parquet(tmp_path / "h.parquet")
    history = read_history(tmp_path / "h.parquet", ALONE)
    assert history.readings.time_us.tolist() == [GOOD_US, GOOD_US + 1_000_000]
    assert dict(history.refused) == {"bad-time": 2}


def test_a_parquet_time_far_outside_does_not_come_round_into_range(tmp_path: Path) -> None:
    # 2**61 ms are a multiple of 2**64 us: in 64 bits of microseconds the second time would be the first.
    far_ms = [GOOD_US // 1_000, GOOD_US // 1_000 + 2**61]
    table = pa.table(
        {
            "time": pa.array(far_ms, pa.int64()).view(pa.timestamp("ms", "UTC")),
            "forward_w": pa.array([1.0, 2.0]),
            "reflected_w": pa.array([0.5, 0.5]),
        }
    )
    parquet.write_table(table, tmp_path / "far.parquet")
    history = read_history(tmp_path / "far.parquet", ALONE)
    assert history.readings.forward_w.tolist() == [1.0]
    assert dict(history.refused) == {"bad-time": 1}


# Columns ------------------------------------------------------------------------------------------------


def test_every_column_is_read_and_others_are_not_looked_at(read: Callable[..., History]) -> None:
    text = (
        "note,site,transmitter,time,forward_w,reflected_w,keyed,frequency_mhz,channel,set_power_w,foldback,"
        "pa_temperature_c,ambient_temperature_c,precipitation,wind_mps,sequence\n"
        f"x,amber,a2,{GOOD},50,1,true,447.5,C1,60,false,41,5,0.5,7,12\n"
        f"7,birch,a1,{GOOD},51,,,,,,,,,,,\n"
        f",birch,a1,{GOOD},52,2,,,,,,,,,,\n"
        f",amber,a1,{GOOD},53,3,false,,C1,,true,,,,,\n"
    )
    history = read(text)
    assert dict(history.refused) == {"no-power": 1}
    readings = history.readings
    assert readings.transmitter.tolist() == [1, 2, 0]
    first: list[Any] = [getattr(readings, name)[0] for name in COLUMNS]
    assert first == [GOOD_US, 50, 1, 1, 447.5, "C1", 60, 0, 41, 5, 0.5, 7, 12]
    assert readings.channel.tolist() == ["C1", "", "C1"]
    assert readings.keyed.tolist() == [1, -1, 0]
    assert readings.foldback.tolist() == [0, -1, 1]
    assert readings.sequence.tolist() == [12, -1, -1]
    assert np.isnan(readings.wind_mps).tolist() == [False, True, True]


def test_words_and_numbers_for_yes_and_no(read: Callable[..., History]) -> None:
    rows = "".join(f"amber,a1,{GOOD},5,1,{word}\n" for word in ("yes", "0", " True ", "", "NO"))
    heading = "site,transmitter,time,forward_w,reflected_w,keyed\n"
    assert read(heading + rows).readings.keyed.tolist() == [1, 0, 1, -1, 0]
    with pytest.raises(HistoryError, match="keyed: got 'perhaps'"):
        read(heading + rows + f"amber,a1,{GOOD},5,1,perhaps\n")
    with pytest.raises(HistoryError, match=r"history\.csv: .*keyed in row 0 is 2"):
        read(heading + f"amber,a1,{GOOD},5,1,2\n")


@pytest.mark.parametrize("most_pairs", [1 << 22, 0], ids=["table", "search"])
def test_names_are_found_in_pairs(
    read: Callable[..., History], monkeypatch: pytest.MonkeyPatch, most_pairs: int
) -> None:
    monkeypatch.setattr(history_module, "_MOST_PAIRS", most_pairs)
    pairs = ["birch,a1", "birch,a2", "amber,a2", "cedar,a1", ",a1", "amber,", "amber,a1"]
    history = read(
        "site,transmitter,time,forward_w,reflected_w\n" + "".join(f"{pair},{GOOD},5,1\n" for pair in pairs)
    )
    assert history.readings.transmitter.tolist() == [2, 1, 0]
    assert history.unknown == 4
    nobody = read(f"site,transmitter,time,forward_w,reflected_w\ncedar,x,{GOOD},5,1\n")
    assert (len(nobody.readings), nobody.unknown) == (0, 1)


def test_parquet_categories_with_missing_names(tmp_path: Path) -> None:
    # 128 names take all codes of eight bits, so that none is left for a name that is missing.
    names = [f"a{number}" for number in range(128)]
    code = pa.array([*range(128), None], pa.int8())
    table = pa.table(
        {
            "site": pa.array(["amber"] * 129),
            "transmitter": pa.DictionaryArray.from_arrays(code, pa.array(names)),
            "time": pa.array([GOOD_US] * 129, pa.int64()).view(pa.timestamp("us", "UTC")),
            "forward_w": pa.array([5.0] * 129),
            "reflected_w": pa.array([1.0] * 129),
        }
    )
    parquet.write_table(table, tmp_path / "h.parquet")
    fleet = fleet_of("".join(f"amber,{name},446\n" for name in names))
    history = read_history(tmp_path / "h.parquet", fleet)
    assert history.readings.transmitter.tolist() == list(range(128))
    assert history.unknown == 1


def test_a_file_without_rows(read: Callable[..., History]) -> None:
    history = read("site,transmitter,time,forward_w,reflected_w,channel,keyed,sequence\n")
    assert (len(history.readings), history.unknown, dict(history.refused)) == (0, 0, {})
    assert list(history.slices()) == []


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "cannot be read as .csv: Empty CSV file"),
        (f"site,transmitter,time,forward_w,reflected_w\namber,a1,{GOOD},5\n", "Expected 5 columns, got 4"),
        (f"time,time,forward_w,reflected_w\n{GOOD},{GOOD},5,1\n", "column time more than once"),
        (
            f"site,transmitter,time,forward_w,reflected_w\namber,a1,{GOOD},much,1\n",
            "forward_w holds what is not",
        ),
        ("site,time,forward_w,note\n", "no column transmitter, reflected_w; got site, time, forward_w, note"),
    ],
)
def test_what_cannot_be_read_is_said(read: Callable[..., History], text: str, message: str) -> None:
    with pytest.raises(HistoryError, match=message):
        read(text)


def test_the_slices_are_the_readings(read: Callable[..., History]) -> None:
    rows = "".join(f"amber,a1,2026-01-01T00:{minute:02d}:00Z,{minute},1\n" for minute in range(50))
    history = read("site,transmitter,time,forward_w,reflected_w\n" + rows)
    parts = list(history.slices(7))
    assert [len(part) for part in parts] == [7] * 7 + [1]
    same(Readings.concatenate(parts), history.readings)


def test_a_csv_file_in_good_order_needs_no_pandas(tmp_path: Path) -> None:
    path = tmp_path / "h.csv"
    path.write_text(f"time,forward_w,reflected_w,channel\n{GOOD},5,1,C\n")
    code = (
        "import sys\nfrom pathlib import Path\nimport numpy as np\n"
        "from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text\n"
        "from standingwatch.watch.history import read_history\n"
        "rows = read_inventory_text('site,transmitter,frequency_mhz\\namber,a1,446\\n', 'f').rows\n"
        "fleet = build_fleet(rows, np.arange(1), FleetDefaults())\n"
        "assert len(read_history(Path(sys.argv[1]), fleet).readings) == 1\n"
        "print('pandas' in sys.modules)\n"
    )
    environ = {**os.environ, "PYTHONPATH": str(Path(history_module.__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], env=environ, capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout.strip()) == (0, "False"), done.stderr
