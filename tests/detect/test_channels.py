"""Channels: told apart by name or frequency, and a change of channel is no fault."""

from __future__ import annotations

from typing import Any

import numpy as np

from standingwatch.detect.channels import PLACES, channel_codes, give_places, place_of
from standingwatch.detect.words import Condition
from standingwatch.readings import Readings


def readings(channel: Any, frequency_mhz: Any) -> Readings:
    n = len(channel)
    return Readings.from_columns(
        {
            "transmitter": [0] * n,
            "time_us": np.arange(n),
            "forward_w": [90.0] * n,
            "reflected_w": [1.0] * n,
            "channel": channel,
            "frequency_mhz": frequency_mhz,
        }
    )


def test_a_number_for_each_name_and_frequency() -> None:
    nan = np.nan
    codes = channel_codes(
        readings(
            ["", "c1", "c2", "c1", "", "", None, "c1"], [nan, nan, nan, 446.0, 446.0, 446.0003, 446.002, nan]
        )
    )
    assert codes[0] == 0
    assert codes[1] == codes[3] == codes[7] != codes[2]
    assert codes[4] == codes[5] != codes[6]
    assert len(set(codes.tolist())) == 5


def test_the_number_does_not_depend_on_the_rest_of_the_block() -> None:
    names = ["c3", "c1", "", "c2", "c1"]
    frequency = [np.nan, 440.0, 441.0, np.nan, 442.0]
    whole = channel_codes(readings(names, frequency))
    apart = [channel_codes(readings([n], [f]))[0] for n, f in zip(names, frequency, strict=True)]
    assert whole.tolist() == apart


def test_none_told_is_none() -> None:
    assert channel_codes(readings(["", "", ""], [np.nan] * 3)).tolist() == [0, 0, 0]
    assert len(channel_codes(Readings.empty())) == 0


def test_frequencies_that_are_no_number_are_none() -> None:
    assert channel_codes(readings(["", ""], [np.inf, -np.inf])).tolist() == [0, 0]


def test_places_are_given_in_order_and_to_so_many_only() -> None:
    known = np.zeros((2, PLACES), dtype=np.int64)
    codes = np.array([7, 5, 7, 0, 9, *range(100, 100 + PLACES)])
    owner = np.array([0, 0, 0, 0, 1, *[0] * PLACES])
    give_places(codes, owner, known)
    assert known[0].tolist() == [7, 5, *range(100, 100 + PLACES - 2)]
    assert known[1].tolist() == [9, *[0] * (PLACES - 1)]
    place = place_of(codes, owner, known)
    assert place[:5].tolist() == [0, 1, 0, -1, 0]
    assert place[-2:].tolist() == [-1, -1]
    before = known.copy()
    give_places(codes, owner, known)
    assert (known == before).all()


def alternating(day: Any, _: int = 0) -> Any:
    """A week on one channel, then hours on each in turn, then a week on the other."""
    turn = np.floor(day * 8) % 2 == 0
    return np.where(np.where(day < 30, turn, day < 38), "low", "high").astype(object)


def by_channel(day: Any, i: int = 0) -> Any:
    return np.where(alternating(day, i) == "low", 0.08, 0.24)


def test_a_change_of_channel_is_no_fault_where_it_is_told(line: Any, tell: Any) -> None:
    assert tell(line(), by_channel, 46, columns={"channel": alternating}).findings == []
    assert tell(line(), by_channel, 46).findings != []


def test_frequencies_do_as_well_as_names(line: Any, tell: Any) -> None:
    columns = {"frequency_mhz": lambda day, i: np.where(alternating(day, i) == "low", 446.0, 446.9)}
    assert tell(line(), by_channel, 46, columns=columns).findings == []


def test_a_fault_on_all_channels_is_found(line: Any, tell: Any) -> None:
    told = tell(
        line(),
        lambda day, i: by_channel(day, i) + 0.008 * np.clip(day - 16, 0, None),
        30,
        columns={
            "channel": lambda day, i: np.where(np.floor(day * 8) % 2 == 0, "low", "high").astype(object)
        },
    )
    assert 16 < told.day(told.of(Condition.SWR_RISING)[0]) < 30
