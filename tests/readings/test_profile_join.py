"""Bare numbers joined to reports: by time, within the window, whatever way the stream is cut."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings.profile import Part, Profile, build_profile, read_message
from standingwatch.readings.profile.join import Joining, join

S = 1_000_000
BEGIN_US = 1_795_000_000 * S
TEXT = """
topic = "rf/{site}/{transmitter}/{channel}/{quantity}"
format = "number"
[number]
window_s = 5
[number.quantities]
F = "forward"
R = "reflected"
[fields]
forward.unit = "W"
reflected.unit = "SWR"
channel.part = "channel"
"""
WITH_TEMPERATURE = (
    TEXT.replace('R = "reflected"', 'R = "reflected"\nT = "pa_temperature"')
    + 'pa_temperature.unit = "degC"\n'
)
TIMED = (
    TEXT.replace("window_s = 5", 'window_s = 5\npointer = "/v"')
    + 'time = { pointer = "/t", form = "unix_s" }\n'
)


def built(text: str) -> Profile:
    profile, problems = build_profile("meters", tomllib.loads(text))
    assert problems == []
    assert profile is not None
    return profile


BARE, THREE, WITH_TIME = built(TEXT), built(WITH_TEMPERATURE), built(TIMED)


def part(
    level: str,
    value: float,
    second: float,
    *,
    profile: Profile = BARE,
    at: float | None = None,
    place: str = "rf/hill/tx/A",
) -> Part:
    """What came at a second; with a time of its own where `at` gives one."""
    body = str(value) if at is None else json.dumps({"v": value, "t": BEGIN_US / S + at})
    received_us = BEGIN_US + round(second * S)
    found = read_message(profile, f"{place}/{level}", body.encode(), received_us, time_if_absent="refuse")
    assert found.refusals == []
    return found.parts[0]


def after(second: float) -> int:
    return BEGIN_US + round(second * S)


def told(joining: Joining) -> list[tuple[float, float, float]]:
    """Time in seconds, forward power and SWR-made reflected power of each reading."""
    return [
        ((one.reading.time_us - BEGIN_US) / S, one.reading.forward_w, one.reading.reflected_w)
        for one in joining.readings
    ]


def test_two_values_are_a_report_at_the_time_of_the_first() -> None:
    found = join([], [part("F", 100, 0), part("R", 1.5, 2)], None)
    assert told(found) == [(0.0, 100.0, pytest.approx(4.0))]
    assert found.readings[0].reading.channel == "A"
    assert (found.pending, found.refused) == ([], [])
    # The other way round the SWR waits for the power that it belongs to.
    assert told(join([], [part("R", 1.5, 0), part("F", 100, 2)], None)) == told(found)


def test_what_waits_is_joined_by_a_later_call() -> None:
    first = join([], [part("F", 100, 0)], after(4))
    assert (first.readings, first.refused, len(first.pending)) == ([], [], 1)
    second = join(first.pending, [part("R", 1.5, 4.5)], after(4.5))
    assert told(second) == [(0.0, 100.0, pytest.approx(4.0))]
    assert second.pending == []


def test_transmitters_and_levels_of_the_topic_are_kept_apart() -> None:
    mixed = [
        part("F", 100, 0),
        part("F", 50, 0.1, place="rf/hill/tx2/A"),
        part("F", 25, 0.2, place="rf/hill/tx/B"),
        part("R", 1.0, 0.3, place="rf/hill/tx/B"),
        part("R", 3.0, 0.4, place="rf/hill/tx2/A"),
        part("R", 1.5, 0.5),
    ]
    assert [forward for _, forward, _ in told(join([], mixed, None))] == [25.0, 50.0, 100.0]


@pytest.mark.parametrize(("second", "joined"), [(5.0, True), (5.000001, False)])
def test_the_window_ends_where_it_says(second: float, joined: bool) -> None:
    found = join([], [part("F", 100, 0), part("R", 1.5, second)], after(second))
    assert bool(found.readings) is joined
    # The part that came too late may have its own partner yet.
    assert len(found.pending) == (0 if joined else 1)
    assert [left.reason for left in found.refused] == ([] if joined else ["incomplete"])


def test_pairs_whose_topics_come_one_after_the_other_find_each_other() -> None:
    """A backlog of one topic and then that of another, as a queue that is fair by topic may give them."""
    forward = [part("F", 100 + i, 10 * i) for i in range(5)]
    reflected = [part("R", 1.0, 10 * i + 0.5) for i in range(5)]
    expected = [(10.0 * i, 100.0 + i, 0.0) for i in range(5)]
    assert told(join([], forward + reflected, None)) == expected
    assert told(join([], reflected + forward, None)) == expected
    first = join([], forward, after(0.4))
    assert told(join(first.pending, reflected, after(41))) == expected


def test_without_a_partner_it_is_incomplete_and_says_what_was_wanted() -> None:
    found = join([part("F", 100, 0)], [], after(5.1))
    (left,) = found.refused
    assert left.reason == "incomplete"
    assert "not reflected (level 'R') within 5 s" in left.detail
    assert left.part.payload == b"100"
    assert join([part("F", 100, 0)], [], after(5)).refused == []
    assert join([part("F", 100, 0)], [], None).refused == []


def test_a_new_value_of_the_same_quantity_begins_a_new_report() -> None:
    found = join([], [part("F", 100, 0), part("F", 90, 1), part("R", 1.5, 1.1)], after(9))
    assert told(found)[0][:2] == (1.0, 90.0)
    assert [left.part.value for left in found.refused] == [100.0]


def test_what_is_not_needed_is_waited_for_and_then_done_without() -> None:
    both = [part("F", 100, 0, profile=THREE), part("R", 1.5, 0.1, profile=THREE)]
    waiting = join([], both, after(3))
    assert (waiting.readings, len(waiting.pending)) == ([], 2)
    whole = join(waiting.pending, [part("T", 40, 3.5, profile=THREE)], None)
    assert whole.readings[0].reading.pa_temperature_c == 40.0
    assert len(whole.readings[0].parts) == 3
    without = join(waiting.pending, [], after(5.1))
    assert without.readings[0].reading.pa_temperature_c is None
    assert without.readings[0].reading.forward_w == 100.0


def test_values_that_do_not_go_together_are_refused_all_of_them() -> None:
    found = join([], [part("F", 1e300, 0), part("R", 1.0, 1)], None)
    assert told(found) == [(0.0, 1e300, 0.0)]
    profile = built(TEXT.replace('reflected.unit = "SWR"', 'reflected.unit = "rho"'))
    found = join([], [part("F", 1e300, 0, profile=profile), part("R", 1e9, 1, profile=profile)], None)
    assert [left.reason for left in found.refused] == ["bad-value", "bad-value"]


# Values with times of their own -------------------------------------------------------------------------


def test_times_of_their_own_join_what_comes_in_any_order() -> None:
    late = [part("F", 100 + i, 60 + i / 10, profile=WITH_TIME, at=10 * i) for i in range(3)]
    late += [part("R", 1.0, 61 + i / 10, profile=WITH_TIME, at=10 * i) for i in (2, 0, 1)]
    found = join([], late, None)
    assert [(second, forward) for second, forward, _ in told(found)] == [
        (20.0, 102.0),
        (0.0, 100.0),
        (10.0, 101.0),
    ]


def test_the_nearest_in_time_is_the_partner_and_the_earlier_time_holds() -> None:
    found = join(
        [],
        [
            part("F", 1, 0, profile=WITH_TIME, at=0),
            part("F", 2, 0, profile=WITH_TIME, at=4),
            part("R", 1.0, 0, profile=WITH_TIME, at=3),
        ],
        None,
    )
    assert [(second, forward) for second, forward, _ in told(found)] == [(3.0, 2.0)]


def test_the_same_said_twice_is_a_repeat_and_not_half_a_report() -> None:
    twice = [part("F", 100, second, profile=WITH_TIME, at=0) for second in (0, 1)]
    found = join([], [*twice, part("R", 1.0, 2, profile=WITH_TIME, at=0)], after(60))
    assert len(found.readings) == 1
    assert (found.repeated, found.refused, found.pending) == ([twice[1]], [], [])


# After an absence ---------------------------------------------------------------------------------------


def test_what_waited_before_an_absence_waits_for_a_window_after_it() -> None:
    """The broker keeps what comes meanwhile, and we see it with the time at which we are back."""
    waiting = [part("F", 100, 0)]
    back_us = after(1000)
    assert join(waiting, [], after(1004), back_us).refused == []
    found = join(waiting, [part("R", 1.5, 1001)], None, back_us)
    assert told(found) == [(0.0, 100.0, pytest.approx(4.0))]
    assert [left.reason for left in join(waiting, [], after(1006), back_us).refused] == ["incomplete"]
    # Without an absence it would have been too late.
    assert join(waiting, [part("R", 1.5, 1001)], None).readings == []


def test_a_new_pair_after_an_absence_is_not_torn_apart_by_what_waited() -> None:
    waiting = [part("F", 100, 0)]
    new = [part("F", 90, 1003), part("R", 1.5, 1003.1)]
    found = join(waiting, new, None, after(1000))
    assert [forward for _, forward, _ in told(found)] == [90.0]
    assert found.pending == waiting


# Any stream ---------------------------------------------------------------------------------------------


@st.composite
def streams(draw: st.DrawFn) -> list[Part]:
    second = 0.0
    parts = []
    profile = draw(st.sampled_from([BARE, THREE, WITH_TIME]))
    for _ in range(draw(st.integers(0, 14))):
        second += draw(st.sampled_from([0.0, 0.1, 1.0, 3.0, 5.0, 6.0, 20.0]))
        level = draw(st.sampled_from("FRT" if profile is THREE else "FR"))
        at = draw(st.sampled_from([0.0, 2.0, 5.0, 9.0])) if profile is WITH_TIME else None
        place = draw(st.sampled_from(["rf/hill/tx/A", "rf/hill/tx/B"]))
        parts.append(
            part(level, draw(st.sampled_from([1.0, 2.0])), second, profile=profile, at=at, place=place)
        )
    return parts


def outcome(joinings: Iterable[Joining]) -> tuple[Counter[object], Counter[object]]:
    readings: Counter[object] = Counter()
    refused: Counter[object] = Counter()
    for one in joinings:
        readings.update((joined.parts[0].about, joined.reading) for joined in one.readings)
        refused.update(
            (left.part.topic, left.part.payload, left.part.received_us, left.reason) for left in one.refused
        )
    return readings, refused


@given(streams(), st.data())
def test_how_the_stream_is_cut_makes_no_difference(parts: list[Part], data: st.DataObject) -> None:
    end_us = after(10_000)
    whole = join([], parts, end_us)
    pending: list[Part] = []
    pieces = []
    at = 0
    while at < len(parts):
        size = data.draw(st.integers(1, len(parts) - at))
        piece = parts[at : at + size]
        # Sometimes it is known how far the stream has come, sometimes not.
        is_known = piece[-1].time_us is None and data.draw(st.booleans())
        now_us = piece[-1].received_us if is_known else None
        pieces.append(join(pending, piece, now_us))
        # As the store has them: what waited before keeps its place, what is new comes after it.
        still = {id(one) for one in pieces[-1].pending}
        pending = [one for one in pending if id(one) in still] + [
            one for one in pieces[-1].pending if id(one) not in {id(old) for old in pending}
        ]
        at += size
    pieces.append(join(pending, [], end_us))
    assert outcome(pieces) == outcome([whole])
    assert pieces[-1].pending == whole.pending == []


def test_what_waits_is_given_back_in_the_order_in_which_it_came() -> None:
    """The first forward power takes the nearer of two that wait; told the other way round, another would."""
    parts = [
        part(level, value, second, profile=THREE)
        for level, value, second in (("R", 1.0, 0.0), ("R", 1.0, 0.1), ("F", 1.0, 0.1), ("F", 2.0, 0.1))
    ]
    first = join([], parts, None)
    assert [id(one) for one in first.pending] == [id(one) for one in parts]
    whole, cut = join([], parts, after(10_000)), join(first.pending, [], after(10_000))
    assert outcome([first, cut]) == outcome([whole])
    assert {joined.reading.forward_w for joined in whole.readings} == {1.0, 2.0}


@given(streams(), st.none() | st.integers(0, 100), st.integers(0, 60))
def test_each_part_goes_to_exactly_one_place(parts: list[Part], now_s: int | None, resumed_s: int) -> None:
    half = len(parts) // 2
    found = join(parts[:half], parts[half:], None if now_s is None else after(now_s), after(resumed_s))
    places = [
        *(one for joined in found.readings for one in joined.parts),
        *(left.part for left in found.refused),
        *found.pending,
        *found.repeated,
    ]
    assert Counter(id(one) for one in places) == Counter(id(one) for one in parts)
    for joined in found.readings:
        assert {one.field for one in joined.parts} >= {"forward", "reflected"}
        assert len({one.about for one in joined.parts}) == 1
