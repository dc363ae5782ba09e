"""Hostile payloads, topics and files of every kind, a few thousand from a seed; the million is a command.

`tests/benchmarks/hostile.py` makes them, says what must hold of each, and runs as long as it is told to.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from databases import address_of
from hostile import POISON, Found, Target, poison, put_in, valid_messages
from hostile_files import Checked, check_files


def test_no_payload_or_topic_raises_or_is_lost(tmp_path: Path) -> None:
    found = put_in(tmp_path, 8000, seed=20, url=address_of(tmp_path / "store.sqlite"))
    assert found.failures == []
    # What was put in reached every part, and was not all thrown away at the door.
    assert {"readings", "states of links", "bare numbers", "batches written"} <= {
        name for name, count in found.outcomes.items() if count
    }
    reasons = {name for name in found.outcomes if name.startswith("refused: ")}
    assert {"refused: not-json", "refused: bad-time", "refused: unknown-transmitter"} <= reasons
    assert found.outcomes["of Sparkplug: something"] > 100


def test_no_kind_of_poison_is_slow(tmp_path: Path) -> None:
    """At an eighth of the size that is taken, each on a topic of our own, of a profile and of Sparkplug."""
    target, found = Target(tmp_path, url=address_of(tmp_path / "store.sqlite")), Found()
    topics = dict.fromkeys(topic.split("/")[0] for topic, _ in valid_messages(target.profiles))
    chosen = [
        next(t for t, _ in valid_messages(target.profiles) if t.startswith(f"{first}/")) for first in topics
    ]
    for name in POISON:
        body = poison(name, 131_072)
        for topic in (chosen[0], *(one for one in chosen if one.startswith(("poll/", "spBv1.0/")))):
            target.one(name, topic, body, 1_795_000_000_000_000, found)
    target.store.close()
    assert (
        found.failures == []
    )  # the harness has a limit of CPU time, twenty times of what the worst one takes


@pytest.mark.sqlite_only("its files name stores of SQLite, right and wrong")
def test_no_mistake_in_a_file_gives_a_traceback(tmp_path: Path) -> None:
    done: Checked = check_files(tmp_path, 60, seed=20)
    assert done.failures == []
    assert sum(done.ended.values()) == 61


def test_the_harness_sees_what_raises_and_what_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target, found = Target(tmp_path, url=address_of(tmp_path / "store.sqlite")), Found()
    monkeypatch.setattr(target.sorter, "_sort_link", lambda *_: 1 / 0)
    target.one("test", "standingwatch/link/alder-ridge", b"{}", 0, found)
    monkeypatch.setattr(target.sorter, "_sort_report", lambda *_: None)
    target.one("test", "standingwatch/report/alder-ridge/rpt-1", b"noise", 0, found)
    target.store.close()
    assert "ZeroDivisionError" in found.failures[0]
    assert "lost without a word" in found.failures[1]
