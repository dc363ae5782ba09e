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


# Columns that are not given: one value seen at every row -------------------------------------------------

OPTIONAL = [name for name in COLUMNS if name not in ("time_us", "forward_w", "reflected_w")]


def filled(readings: Readings) -> Readings:
    """The same with every value in a place of its own."""
    names = ("transmitter", *COLUMNS, "flags")
    return Readings(**{name: np.array(getattr(readings, name)) for name in names})


def of_many(rows: int, seed: int) -> Readings:
    rng = np.random.default_rng(seed)
    return Readings.from_columns(
        {
            "transmitter": rng.integers(0, 5, rows),
            "time_us": rng.integers(0, 9, rows),
            "forward_w": np.arange(rows, dtype=float),
            "keyed": rng.integers(-1, 2, rows),
        }
    )


def same(one: Readings, other: Readings) -> None:
    for name in ("transmitter", *COLUMNS, "flags"):
        got, wanted = getattr(one, name), getattr(other, name)
        np.testing.assert_array_equal(got, wanted, err_msg=name)
        assert got.dtype == wanted.dtype, name


def test_what_is_not_given_takes_no_memory_and_keeps_to_it() -> None:
    readings = of_many(50, 1)
    for made in (
        readings,
        readings.take(np.array([3, 3, 7])),
        readings.take(readings.transmitter > 1),
        readings.take(slice(10, 40, 3)),
        readings.sorted_by_time(),
        readings.sorted_by_transmitter(),
        Readings.concatenate([readings, readings.take(slice(0, 0)), readings]),
    ):
        assert {name for name in OPTIONAL if getattr(made, name).strides == (0,)} == {*OPTIONAL} - {"keyed"}
        assert made.flags.strides == (0,)
        assert made.forward_w.strides != (0,)


@pytest.mark.parametrize("rows", [0, 1, 2, 60])
def test_rows_are_the_same_wherever_their_values_are(rows: int) -> None:
    readings, rng = of_many(rows, rows), np.random.default_rng(2)
    full = filled(readings)
    same(readings, full)
    index = rng.integers(0, max(rows, 1), 9 if rows else 0)
    for chosen in (
        index,
        rng.random(rows) < 0.5,
        np.ones(rows, bool),
        np.zeros(rows, bool),
        slice(1, None, 2),
    ):
        same(readings.take(chosen), full.take(chosen))
        same(readings.take(chosen), Readings(*(getattr(full, n)[chosen] for n in full.__dataclass_fields__)))
    same(readings.sorted_by_time(), full.take(np.lexsort((full.transmitter, full.time_us))))
    same(readings.sorted_by_transmitter(), full.take(np.lexsort((full.time_us, full.transmitter))))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("wide", [1, 40_000], ids=["few", "wide"])
def test_rows_in_order_of_time_are_sorted_the_same(seed: int, wide: int) -> None:
    rng = np.random.default_rng(seed)
    transmitter = rng.integers(0, 5, 80) * wide  # past 16 bits, too
    readings = Readings.from_columns(
        {"transmitter": transmitter, "time_us": np.sort(rng.integers(0, 30, 80)), "sequence": np.arange(80)}
    )
    for made, keys in (
        (readings.sorted_by_transmitter(), (readings.time_us, readings.transmitter)),
        (readings.sorted_by_time(), (readings.transmitter, readings.time_us)),
    ):
        same(made, readings.take(np.lexsort(keys)))
    ordered = readings.sorted_by_time()
    assert ordered.sorted_by_time() is ordered
    ordered = readings.sorted_by_transmitter()
    assert ordered.sorted_by_transmitter() is ordered


@pytest.mark.parametrize("by_time", [True, False])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.97, 1.0])
def test_some_rows_are_sorted_as_if_they_had_been_all(share: float, by_time: bool) -> None:
    readings, rng = of_many(200, 3), np.random.default_rng(4)
    readings = readings.sorted_by_time() if by_time else readings
    some = rng.random(200) < share
    same(readings.sorted_by_transmitter(some), readings.take(some).sorted_by_transmitter())


def test_parts_with_different_values_are_joined_value_by_value() -> None:
    one = of_many(3, 1)
    other = Readings.from_columns(
        {"transmitter": [0, 0], "time_us": [1, 2], "flags": [4, 4], "wind_mps": [2, 3]}
    )
    lone = Readings.from_columns({"transmitter": [0], "time_us": [1], "wind_mps": [5.0]})
    joined = Readings.concatenate([one, other, lone])
    same(joined, Readings.concatenate([filled(one), filled(other), filled(lone)]))
    assert joined.flags.tolist() == [0, 0, 0, 4, 4, 0]
    assert joined.wind_mps[3:].tolist() == [2, 3, 5]


def test_a_mask_of_another_length_is_named() -> None:
    with pytest.raises(IndexError, match=r"a mask of shape \(2,\) for 3 rows"):
        three().take(np.array([True, False]))
