"""The queue before the writer: sites take turns, order within a site stays, acknowledgements go in order."""

from __future__ import annotations

import json
import threading
from collections import defaultdict

from hypothesis import given
from hypothesis import strategies as st
from waiting import wait_until

from standingwatch.intake.queue import Queue, reports_in
from standingwatch.intake.sorting import Arrived

MUCH = 2**30


def message(site: str, number: int, reports: int = 1, kind: str = "report") -> Arrived:
    body = [{"time": number, "forward_w": 1, "reflected_w": 0}] * reports
    payload = json.dumps(body if reports > 1 else body[0]).encode()
    tail = f"{site}/t1" if kind == "report" else site
    return Arrived(f"top/sw/{kind}/{tail}", payload, number, message_id=number)


def filled(*messages: Arrived) -> Queue:
    queue = Queue(100_000, MUCH, "top/sw")
    for one in messages:
        queue.put(one)
    return queue


def test_a_backlog_lets_others_go_first() -> None:
    queue = filled(*(message("amber", i) for i in range(10_000)), message("birch", 10_000))
    batch = queue.take(100, 0, 0.001)
    assert len(batch) == 100
    assert batch[1].topic == "top/sw/report/birch/t1"


def test_a_batch_is_bounded_by_the_reports_in_it() -> None:
    queue = filled(*(message("amber", i, 500) for i in range(50)), message("birch", 50))
    batch = queue.take(2000, 0, 0.001)
    assert [reports_in(m.payload) for m in batch] == [500, 1, 500, 500, 500]
    assert len(queue) == 46


def test_what_went_first_is_acknowledged_after_what_came_before_it() -> None:
    queue = filled(*(message("amber", i) for i in range(5)), message("birch", 5))
    assert [m.received_us for m in queue.take(2, 0, 0.001)] == [0, 5]
    assert [m.message_id for m in queue.safe()] == [0]
    assert queue.oldest_us() == 1
    assert [m.message_id for m in queue.take(10, 0, 0.001)] == [1, 2, 3, 4]
    assert queue.oldest_us() == 1
    assert [m.message_id for m in queue.safe()] == [1, 2, 3, 4, 5]
    assert queue.oldest_us() is None


def test_link_and_reports_of_a_site_stay_in_order_and_other_topics_are_on_their_own() -> None:
    queue = filled(
        message("amber", 0),
        message("amber", 1, kind="link"),
        message("amber", 2),
        Arrived("plant/amber/rf", b"{}", 3),
        Arrived("top/sw", b"{}", 4),
        Arrived("top/swing/report/amber/t1", b"{}", 5),
    )
    assert [m.received_us for m in queue.take(10, 0, 0.001)] == [0, 3, 4, 5, 1, 2]


def puts_at_once(queue: Queue, one: Arrived) -> bool:
    """Whether a message is taken without waiting; where it is not, it goes in once there is room."""
    putting = threading.Thread(target=lambda: queue.put(one), daemon=True)
    putting.start()
    putting.join(0.05)
    return not putting.is_alive()


def test_what_overtakes_a_backlog_does_not_pile_up() -> None:
    """At a broker without a window, as MQTT 3.1.1 has none: the first of a backlog waits for its turn."""
    queue = Queue(100, MUCH, "top/sw")
    number = 0
    for _ in range(60):
        queue.put(message("amber", number))
        number += 1
    most = 0
    for _ in range(10):
        for site in range(20):
            if queue.unacknowledged < 100:
                queue.put(message(f"site-{site}", number))
                number += 1
        queue.take(10, 0, 0.0001)
        queue.safe()
        most = max(most, queue.unacknowledged)
    assert most == 100
    queue.put(message("birch", number))  # what the last batch made room for
    assert not all(puts_at_once(queue, message("birch", number + i)) for i in range(1, 30))
    queue.close()


def test_large_messages_are_bounded_by_their_bytes() -> None:
    queue = Queue(100, 1000, "top/sw")
    large = Arrived("top/sw/report/amber/t1", b"x" * 600, 0)
    assert puts_at_once(queue, large)
    assert puts_at_once(queue, large)  # passes the limit, so that no message is too large for ever
    assert not puts_at_once(queue, large)
    assert queue.held_bytes == 1200
    queue.take(1, 0, 0.0001)
    assert queue.held_bytes == 1200  # a batch counts until it is safe
    queue.safe()
    wait_until(lambda: queue.held_bytes == 1200, 30, "the one that waited is in")
    assert queue.unacknowledged == 2
    queue.close()


def test_a_full_queue_holds_back_and_a_closed_one_lets_go() -> None:
    queue = Queue(2, MUCH, "top/sw")
    queue.put(message("amber", 0))
    queue.put(message("amber", 1))
    putting = threading.Thread(target=lambda: queue.put(message("birch", 2)))
    putting.start()
    putting.join(0.05)
    assert putting.is_alive()
    assert len(queue.take(1, 0, 0.001)) == 1
    putting.join(0.05)
    assert putting.is_alive()  # what is taken is not safe yet
    queue.safe()
    putting.join(10)
    assert not putting.is_alive()
    assert len(queue) == 2
    waiting = threading.Thread(target=lambda: queue.put(message("birch", 3)))
    waiting.start()
    queue.close()
    waiting.join(10)
    assert not waiting.is_alive()
    assert len(queue) == 2


@given(
    st.lists(
        st.one_of(st.tuples(st.sampled_from("abc"), st.integers(1, 9)), st.integers(1, 20), st.just("safe")),
        max_size=60,
    )
)
def test_whatever_happens_nothing_is_lost_doubled_or_out_of_order(
    acts: list[tuple[str, int] | int | str],
) -> None:
    queue = Queue(1000, MUCH, "top/sw")
    put: list[Arrived] = []
    taken: list[Arrived] = []
    safe: set[int] = set()
    acknowledged: list[Arrived] = []
    last: list[Arrived] = []

    def make_safe() -> None:
        safe.update(m.message_id for m in last)
        last.clear()
        acknowledged.extend(queue.safe())

    for act in [*acts, "safe", 1000, "safe"]:
        if act == "safe":
            make_safe()
        elif isinstance(act, tuple):
            put.append(message(act[0], len(put), act[1]))
            queue.put(put[-1])
        elif isinstance(act, int):
            make_safe()
            last += queue.take(act, 0, 0.0001)
            taken += last
        assert acknowledged == put[: len(acknowledged)]
        assert {m.message_id for m in acknowledged} <= safe
        oldest = [m.received_us for m in put if m.message_id not in safe]
        assert queue.oldest_us() == (min(oldest) if oldest else None)
    assert acknowledged == put
    of_site: dict[str, list[int]] = defaultdict(list)
    for one in taken:
        of_site[one.topic].append(one.message_id)
    assert all(numbers == sorted(numbers) for numbers in of_site.values())
    assert len(taken) == len(put)
