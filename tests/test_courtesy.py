"""Who works without end makes way for who waits, and for nobody else."""

from __future__ import annotations

import threading

import pytest

from standingwatch.courtesy import MOST_S, Courtesy


def test_nobody_waits_so_nobody_makes_way() -> None:
    courtesy = Courtesy()
    assert courtesy.make_way(100.0) == 0.0
    with courtesy.answering():
        pass
    assert courtesy.waiting == 0
    assert courtesy.make_way(100.0) == 0.0


def test_way_is_made_for_as_long_as_was_worked() -> None:
    courtesy = Courtesy()
    with courtesy.answering():
        assert courtesy.make_way(0.03) >= 0.03
        assert courtesy.make_way(0.0) < MOST_S


def test_way_is_made_for_a_bounded_time() -> None:
    """One that worked for an hour, as while the database was away, is not held up for an hour."""
    courtesy = Courtesy()
    done = threading.Event()

    def work() -> None:
        courtesy.make_way(3600.0)
        done.set()

    with courtesy.answering():
        threading.Thread(target=work, daemon=True).start()
        assert done.wait(60)


def test_who_waits_is_counted_also_when_the_answer_fails() -> None:
    courtesy = Courtesy()

    def fail() -> None:
        with courtesy.answering(), courtesy.answering():
            assert courtesy.waiting == 2
            raise ValueError("broken")

    with pytest.raises(ValueError, match="broken"):
        fail()
    assert courtesy.waiting == 0
