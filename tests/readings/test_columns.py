from __future__ import annotations

import numpy as np
import pytest

from standingwatch.readings import COLUMNS, Reading, Readings


def three() -> Readings:
    return Readings.from_columns(
        {
            "transmitter": [1, 0, 1],
            "time_us": [30, 20, 10],
            "forward_w": [50.0, None, 40.0],
            "keyed": [True, None, False],
            "channel": ["A", None, ""],
            "sequence": [7, None, 2**62 + 1],
        }
    )


def test_the_columns_are_the_members_of_a_reading_in_the_agreed_order() -> None:
    assert COLUMNS == (
        "time_us",
        "forward_w",
        "reflected_w",
        "keyed",
        "frequency_mhz",
        "channel",
        "set_power_w",
        "foldback",
        "pa_temperature_c",
        "ambient_temperature_c",
        "precipitation",
        "wind_mps",
        "sequence",
    )


def test_what_is_not_given_is_unknown() -> None:
    readings = three()
    assert len(readings) == 3
    assert np.isnan(readings.reflected_w).all()
    assert np.isnan(readings.wind_mps).all()
    assert readings.forward_w.tolist()[::2] == [50.0, 40.0]
    assert np.isnan(readings.forward_w[1])
    assert readings.keyed.tolist() == [1, -1, 0]
    assert readings.foldback.tolist() == [-1, -1, -1]
    assert readings.channel.tolist() == ["A", "", ""]
    assert readings.sequence.tolist() == [7, -1, 2**62 + 1]  # not through a float, which would lose the 1
    assert readings.flags.tolist() == [0, 0, 0]


def test_every_column_has_its_type_even_without_rows() -> None:
    for readings in (three(), Readings.empty(), Readings.from_reports([], [])):
        types = {name: getattr(readings, name).dtype for name in (*COLUMNS, "transmitter", "flags")}
        assert {n for n, t in types.items() if t == np.int64} == {
            "transmitter",
            "time_us",
            "sequence",
            "flags",
        }
        assert {n for n, t in types.items() if t == np.int8} == {"keyed", "foldback"}
        assert {n for n, t in types.items() if t == np.object_} == {"channel"}
        assert sum(t == np.float64 for t in types.values()) == 8


def test_reports_become_rows() -> None:
    readings = Readings.from_reports(
        [4, 2],
        [Reading(1, 2.0, 3.0, False, 4.0, "C", 5.0, True, 6.0, 7.0, 8.0, 9.0, 10), Reading(11, 12.0, 13.0)],
    )
    assert readings.transmitter.tolist() == [4, 2]
    first = [getattr(readings, name)[0] for name in COLUMNS]
    assert first == [1, 2.0, 3.0, 0, 4.0, "C", 5.0, 1, 6.0, 7.0, 8.0, 9.0, 10]
    assert readings.time_us[1] == 11
    assert readings.keyed[1] == -1
    assert readings.sequence[1] == -1


@pytest.mark.parametrize(
    "given", [np.array([1.0, np.nan, 0.0]), [1, None, 0], np.array([1, -1, 0], dtype=np.int64)]
)
def test_states_are_taken_from_numbers_with_gaps(given: object) -> None:
    readings = Readings.from_columns({"transmitter": [0] * 3, "time_us": [0] * 3, "keyed": given})
    assert readings.keyed.tolist() == [1, -1, 0]


def test_states_are_taken_from_booleans() -> None:
    states = np.array([True, False])
    readings = Readings.from_columns({"transmitter": [0, 0], "time_us": [0, 0], "foldback": states})
    assert readings.foldback.tolist() == [1, 0]


@pytest.mark.parametrize(
    ("mapping", "message"),
    [
        ({"transmitter": [0]}, "'time_us' is missing"),
        ({"time_us": [0]}, "'transmitter' is missing"),
        ({"transmitter": [0], "time_us": [0], "swr": [1.0]}, "'swr' is not a column"),
        ({"transmitter": [0], "time_us": [0], "forward_w": [1.0, 2.0]}, "forward_w 2"),
        ({"transmitter": [0], "time_us": [None]}, "time_us is unknown in row 0"),
        ({"transmitter": [0], "time_us": [1.5]}, "time_us in row 0 is 1.5"),
        ({"transmitter": [0], "time_us": ["1"]}, "give integers"),
        ({"transmitter": [0], "time_us": np.array(["2025-01-01"], dtype="M8[us]")}, "give integers"),
        ({"transmitter": [0, 0], "time_us": [0, 0], "keyed": [1, 2]}, "keyed in row 1 is 2"),
        ({"transmitter": [0], "time_us": [0], "forward_w": ["much"]}, "forward_w holds what is not a number"),
    ],
)
def test_what_cannot_be_a_column_is_named(mapping: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Readings.from_columns(mapping)


def test_rows_are_taken_by_index_mask_and_slice() -> None:
    readings = three()
    assert readings.take(np.array([2, 0])).time_us.tolist() == [10, 30]
    assert readings.take(readings.time_us > 15).time_us.tolist() == [30, 20]
    assert readings.take(slice(1, None)).channel.tolist() == ["", ""]


def test_sorting_is_by_both_keys_and_stable() -> None:
    readings = Readings.from_columns(
        {"transmitter": [1, 0, 1, 0, 1], "time_us": [5, 5, 3, 9, 5], "sequence": [0, 1, 2, 3, 4]}
    )
    assert readings.sorted_by_time().sequence.tolist() == [2, 1, 0, 4, 3]
    assert readings.sorted_by_transmitter().sequence.tolist() == [1, 3, 2, 0, 4]


def test_parts_are_joined_in_order() -> None:
    joined = Readings.concatenate([three(), Readings.empty(), three().take(slice(0, 1))])
    assert joined.time_us.tolist() == [30, 20, 10, 30]
    assert joined.channel.tolist() == ["A", "", "", "A"]
    assert len(Readings.concatenate([])) == 0
