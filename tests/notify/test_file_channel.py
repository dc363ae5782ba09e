"""The file channel through crashes: whatever is cut off or delivered again, each event stands there once."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.notify.channel import DeliveryError
from standingwatch.notify.file import FileChannel
from standingwatch.store.outbox import Message, Subject


def message(number: int) -> Message:
    body = json.dumps({"specversion": "1.0", "id": f"event-{number}", "data": {"text": "Ümlaut: 3 Ω"}})
    return Message(number, "file", f"event-{number}", Subject("alder-ridge", "rpt-1"), number, body, 0)


def whole_events(path: Path) -> list[str]:
    """Ids of the lines that are events."""
    found = []
    for line in path.read_bytes().split(b"\n"):
        try:
            found.append(json.loads(line)["id"])
        except ValueError:
            continue
    return found


def test_the_file_holds_each_event_once_whatever_is_tried_again(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    first = FileChannel(path)
    first.deliver([message(1), message(2)])
    first.deliver([message(2), message(3)])
    # A crash after writing: the next process is handed the same messages.
    FileChannel(path).deliver([message(2), message(3), message(4)])
    assert [json.loads(line)["id"] for line in path.read_text().splitlines()] == [
        f"event-{n}" for n in (1, 2, 3, 4)
    ]


def test_what_another_process_wrote_meanwhile_is_not_written_again(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    held_up = FileChannel(path)
    held_up.deliver([message(1)])
    FileChannel(path).deliver([message(2), message(3)])
    held_up.deliver([message(2)])
    held_up.deliver([message(4)])
    assert whole_events(path) == [f"event-{n}" for n in (1, 2, 3, 4)]


def test_a_line_that_a_crash_cut_off_is_written_again(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    whole, cut = message(1).body + "\n", message(2).body[:10]
    path.write_text(whole + cut)
    FileChannel(path).deliver([message(2)])
    lines = path.read_text().splitlines()
    assert lines == [message(1).body, cut, message(2).body]


def test_a_file_that_cannot_be_written_is_tried_again(tmp_path: Path) -> None:
    channel = FileChannel(tmp_path / "absent" / "events.jsonl")
    with pytest.raises(DeliveryError, match="No such file"):
        channel.deliver([message(1)])
    (tmp_path / "absent").mkdir()
    channel.deliver([message(1)])
    assert len((tmp_path / "absent" / "events.jsonl").read_text().splitlines()) == 1


def test_a_line_that_lacks_only_its_end_counts_as_written(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    path.write_text(message(1).body)
    FileChannel(path).deliver([message(1)])
    assert path.read_text() == message(1).body
    FileChannel(path).deliver([message(1), message(2)])
    assert path.read_text() == message(1).body + "\n" + message(2).body + "\n"


@pytest.mark.parametrize("foreign", [b"\xff\xfe\n", b"[1, 2]\n", b'{"id": 7}\n', b"\n\n", b"3\n"])
def test_what_others_wrote_is_left_alone(tmp_path: Path, foreign: bytes) -> None:
    path = tmp_path / "events.jsonl"
    path.write_bytes(foreign)
    FileChannel(path).deliver([message(1)])
    assert path.read_bytes() == foreign + message(1).body.encode() + b"\n"


def test_a_path_that_is_a_folder_is_a_delivery_error(tmp_path: Path) -> None:
    folder = tmp_path / "events"
    folder.mkdir()
    with pytest.raises(DeliveryError, match="events: Is a directory"):
        FileChannel(folder).deliver([message(1)])


@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.sampled_from(["noted", "crash", "cut"]), st.integers(0, 10_000)),
        max_size=12,
    )
)
def test_each_event_stands_once_through_any_crashes(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, str, int]]
) -> None:
    """A crash comes before the delivery is noted, or in mid-line.

    The outbox hands over the oldest that are not noted, so never fewer than before the crash.
    """
    path = tmp_path_factory.mktemp("channel") / "events.jsonl"
    channel = FileChannel(path)
    noted = least = 0
    for more, end, where in steps:
        count = max(least, more)
        before = path.stat().st_size if path.exists() else 0
        channel.deliver([message(noted + i) for i in range(count)])
        if end == "noted":
            noted, least = noted + count, 0
            continue
        least = count
        if end == "cut":
            grown = path.stat().st_size - before
            with path.open("r+b") as file:
                file.truncate(before + where % (grown + 1))
        channel = FileChannel(path)
    channel.deliver([message(noted + i) for i in range(max(least, 4))])
    times = Counter(whole_events(path))
    assert {f"event-{i}" for i in range(noted + max(least, 4))} <= set(times)
    assert set(times.values()) == {1}
    order = [int(name.removeprefix("event-")) for name in whole_events(path)]
    assert order == sorted(order)
