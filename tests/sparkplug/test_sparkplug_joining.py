"""Metrics that come when they change, joined to reports: what is joined to what, when, and what never is."""

from __future__ import annotations

from typing import Any

import pytest

from standingwatch.readings.sparkplug.events import Message, Value, Values
from standingwatch.readings.sparkplug.joining import Joined, Joiner
from standingwatch.readings.sparkplug.topic import NodeName

NODE = NodeName("north", "hill-03")
S = 1_000_000
T0 = 1_795_000_000 * S
NAMES = {"Fwd", "Rfl", "Temp"}
POWERS = {"Fwd", "Rfl"}


@pytest.fixture
def joiner() -> Joiner:
    return Joiner(NAMES, POWERS, join_us=S, repeat_us=300 * S)


def said(at_us: int, *metrics: tuple[Any, ...], birth: bool = False, past: bool = False) -> Values:
    """A message sent at a time, with (name, value) or (name, value, time); it arrives 0.1 s later."""
    values = tuple(Value(m[0], m[1], m[2] if len(m) > 2 else at_us, past, "") for m in metrics)
    return Values(NODE, "tx-1", birth, at_us, values, Message("t", b"p", at_us + S // 10))


def short(made: list[Joined]) -> list[tuple[dict[str, Any], int | None]]:
    return [(one.record, None if one.time_us is None else one.time_us - T0) for one in made]


def begun(joiner: Joiner) -> None:
    joiner.take(said(T0 - 10 * S, ("Fwd", 100.0), ("Rfl", 4.0), ("Temp", 30), birth=True))


def test_birth_is_one_report_of_its_moment_whatever_since_when_each_value_stands(joiner: Joiner) -> None:
    birth = said(T0, ("Fwd", 100.0, T0 - 90 * S), ("Rfl", 4.0, T0 - 20 * S), ("Other", 1, T0), birth=True)
    assert short(joiner.take(birth)) == [({"Fwd": 100.0, "Rfl": 4.0}, 0)]
    # One that does not say when it was sent has the time of its newest value.
    assert short(joiner.take(birth._replace(sent_us=None))) == [({"Fwd": 100.0, "Rfl": 4.0}, -20 * S)]


def test_what_does_not_come_keeps_its_value(joiner: Joiner) -> None:
    begun(joiner)
    assert joiner.take(said(T0, ("Temp", 31))) == []
    assert joiner.due(T0 + S // 2) == []
    assert short(joiner.due(T0 + S + S // 10)) == [({"Fwd": 100.0, "Rfl": 4.0, "Temp": 31}, 0)]
    assert joiner.due(T0 + 2 * S) == []


def test_unmapped_metrics_make_no_report(joiner: Joiner) -> None:
    begun(joiner)
    assert joiner.take(said(T0, ("Other", 1))) == []
    assert joiner.due(T0 + 10 * S) == []


def test_powers_that_come_a_moment_apart_are_one_report(joiner: Joiner) -> None:
    """Keying: between the two messages the power of now stands beside the reflection of before."""
    joiner.take(said(T0 - 10 * S, ("Fwd", 10.0), ("Rfl", 0.4), birth=True))
    assert joiner.take(said(T0, ("Rfl", 4.0))) == []
    assert short(joiner.take(said(T0 + S // 5, ("Fwd", 100.0)))) == [({"Fwd": 100.0, "Rfl": 4.0}, S // 5)]
    assert joiner.due(T0 + 10 * S) == []


def test_powers_that_come_far_apart_are_two(joiner: Joiner) -> None:
    begun(joiner)
    assert joiner.take(said(T0, ("Fwd", 50.0))) == []
    assert short(joiner.take(said(T0 + 3 * S, ("Rfl", 2.0)))) == [({"Fwd": 50.0, "Rfl": 4.0, "Temp": 30}, 0)]
    assert short(joiner.due(T0 + 5 * S)) == [({"Fwd": 50.0, "Rfl": 2.0, "Temp": 30}, 3 * S)]


def test_two_values_of_one_metric_are_two_reports(joiner: Joiner) -> None:
    begun(joiner)
    made = joiner.take(
        said(T0, ("Fwd", 1.0, T0), ("Rfl", 0.1, T0), ("Fwd", 2.0, T0 + S // 2), ("Rfl", 0.2, T0 + S // 2))
    )
    assert short(made) == [
        ({"Fwd": 1.0, "Rfl": 0.1, "Temp": 30}, 0),
        ({"Fwd": 2.0, "Rfl": 0.2, "Temp": 30}, S // 2),
    ]


def test_without_a_window_every_message_is_a_report() -> None:
    joiner = Joiner(NAMES, POWERS, join_us=0, repeat_us=0)
    begun(joiner)
    assert short(joiner.take(said(T0, ("Fwd", 50.0)))) == [({"Fwd": 50.0, "Rfl": 4.0, "Temp": 30}, 0)]
    assert joiner.due(T0 + 10**9 * S) == []


def test_the_past_is_joined_to_the_past_alone(joiner: Joiner) -> None:
    begun(joiner)
    made = joiner.take(
        said(
            T0,
            *(("Fwd", 10.0, T0 - 900 * S), ("Rfl", 1.0, T0 - 900 * S), ("Rfl", 2.0, T0 - 600 * S)),
            past=True,
        )
    )
    assert short(made) == [({"Fwd": 10.0, "Rfl": 1.0}, -900 * S), ({"Fwd": 10.0, "Rfl": 2.0}, -600 * S)]
    # The present is as it was.
    joiner.take(said(T0, ("Temp", 35)))
    assert short(joiner.due(T0 + 2 * S)) == [({"Fwd": 100.0, "Rfl": 4.0, "Temp": 35}, 0)]


def test_what_stands_still_is_reported_again_by_its_own_clock(joiner: Joiner) -> None:
    begun(joiner)
    seen_us = T0 - 10 * S + S // 10
    assert joiner.due(seen_us + 300 * S - 1) == []
    (again,) = joiner.due(seen_us + 300 * S)
    assert again.is_repeat
    assert short([again]) == [({"Fwd": 100.0, "Rfl": 4.0, "Temp": 30}, 290 * S)]
    assert joiner.due(seen_us + 599 * S) == []
    assert short(joiner.due(seen_us + 600 * S)) == [({"Fwd": 100.0, "Rfl": 4.0, "Temp": 30}, 590 * S)]


def test_what_comes_puts_the_repeat_off(joiner: Joiner) -> None:
    begun(joiner)
    joiner.take(said(T0 + 200 * S, ("Fwd", 99.0), ("Rfl", 4.0)))
    assert joiner.due(T0 + 310 * S) == []
    assert len(joiner.due(T0 + 501 * S)) == 1


def test_what_is_stale_is_neither_repeated_nor_joined(joiner: Joiner) -> None:
    begun(joiner)
    joiner.take(said(T0, ("Temp", 31)))
    # What was under way was true when it came.
    assert short(joiner.go_stale()) == [({"Fwd": 100.0, "Rfl": 4.0, "Temp": 31}, 0)]
    assert joiner.due(T0 + 10_000 * S) == []
    # A temperature alone is no report while no power is known; a power alone is one that cannot be used.
    joiner.take(said(T0 + 20_000 * S, ("Temp", 32)))
    assert joiner.due(T0 + 20_002 * S) == []
    joiner.take(said(T0 + 20_010 * S, ("Fwd", 90.0)))
    assert short(joiner.due(T0 + 20_012 * S)) == [({"Fwd": 90.0, "Temp": 32}, 20_010 * S)]


def test_without_a_value_nothing_is_repeated(joiner: Joiner) -> None:
    begun(joiner)
    joiner.take(said(T0, ("Rfl", None)))
    (one,) = joiner.due(T0 + 2 * S)
    assert one.record == {"Fwd": 100.0, "Temp": 30}
    assert joiner.due(T0 + 1000 * S) == []


def test_a_birth_voids_what_was_known(joiner: Joiner) -> None:
    begun(joiner)
    assert short(joiner.take(said(T0, ("Fwd", 80.0), ("Rfl", 3.0), birth=True))) == [
        ({"Fwd": 80.0, "Rfl": 3.0}, 0)
    ]


def test_a_value_that_cannot_be_read_is_told(joiner: Joiner) -> None:
    begun(joiner)
    values = said(T0, ("Fwd", None), ("Rfl", 1.0))
    broken = values._replace(
        values=(values.values[0]._replace(problem="it has a template"), values.values[1])
    )
    (one,) = joiner.take(broken)
    assert one.problems == (("Fwd", "it has a template"),)


def test_without_times(joiner: Joiner) -> None:
    joiner.take(said(T0, ("Fwd", 80.0, None), ("Rfl", 3.0, None), birth=True)._replace(sent_us=None))
    (one,) = joiner.due(T0 + 301 * S)
    assert one.time_us == T0 + 301 * S
    (two,) = joiner.take(said(T0 + 302 * S, ("Fwd", 1.0, None), ("Rfl", 0.1, None)))
    assert two.time_us is None
