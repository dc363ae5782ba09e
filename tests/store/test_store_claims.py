"""Who owns which part of the work: claims on PostgreSQL, one process on SQLite, regions shared out."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

import pytest
from databases import new_database
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import CollectorRegistry
from sqlalchemy import Connection, insert, text, update
from sqlalchemy.exc import IntegrityError

from standingwatch import duties
from standingwatch.duties import Duties
from standingwatch.metrics import Metrics
from standingwatch.store import claims, tables
from standingwatch.store.claims import (
    Claimant,
    ClaimLostError,
    OneProcess,
    all_claims,
    fenced,
    has_ended,
    leave_claims,
    place_of,
    renew_claims,
    take_claim,
)
from standingwatch.store.connect import Store, StoreError
from standingwatch.store.parts import divide, regions_together
from standingwatch.store.watchman import load_note, save_note


@pytest.fixture(scope="module")
def shared(postgres_port: int) -> Iterator[Store]:
    """A store on PostgreSQL; each test has claims of its own."""
    store = Store(new_database(postgres_port))
    store.migrate()
    yield store
    store.close()


def take(store: Store, name: str, me: Claimant) -> int | None:
    with store.writing() as connection:
        return take_claim(connection, name, me)


def run_out(store: Store, name: str) -> None:
    with store.writing() as connection:
        connection.execute(update(tables.claims).where(tables.claims.c.name == name).values(until_us=1))


def test_one_owner_at_a_time_until_it_lets_go_or_the_claim_runs_out(shared: Store) -> None:
    one, two = Claimant("one"), Claimant("two")
    assert take(shared, "a", one) == 1
    assert take(shared, "a", one) == 1
    assert take(shared, "a", two) is None
    run_out(shared, "a")
    assert take(shared, "a", two) == 2
    with shared.writing() as connection:
        assert renew_claims(connection, one, ["a"]) == set()
        assert renew_claims(connection, two, ["a", "b"]) == {"a"}
        leave_claims(connection, one, ["a"])
    assert take(shared, "a", one) is None
    with shared.writing() as connection:
        leave_claims(connection, two, ["a"])
        assert renew_claims(connection, two, ["a"]) == set()
    assert take(shared, "a", one) == 3


def test_what_an_owner_of_before_writes_is_not_kept(shared: Store) -> None:
    one, two = Claimant("one"), Claimant("two")
    epoch = take(shared, "b", one)
    assert epoch is not None
    of_one = fenced(shared, "b", one.owner, epoch)
    with of_one.writing() as connection:
        save_note(connection, "b", "by one")
    run_out(shared, "b")
    # It may have run out unnoticed: what counts is whether another has it.
    with of_one.writing() as connection:
        save_note(connection, "b", "by one again")
    assert take(shared, "b", two) == 2
    with pytest.raises(ClaimLostError, match="taken b over"), of_one.writing() as connection:
        save_note(connection, "b", "by one, late")
    with shared.reading() as connection:
        assert load_note(connection, "b") == "by one again"


def test_a_clash_with_its_successor_is_told_as_the_loss_of_the_claim(shared: Store) -> None:
    one, two = Claimant("one"), Claimant("two")
    epoch = take(shared, "clash", one)
    assert epoch is not None
    of_one = fenced(shared, "clash", one.owner, epoch)
    row = {"name": "clash", "value": "1"}
    # One that still has its claim has made a mistake, and that is told.
    save_twice = insert(tables.notes)
    with pytest.raises(IntegrityError), of_one.writing() as connection:
        connection.execute(save_twice, [row, row])

    def lose_it_and_clash(connection: Connection) -> None:
        run_out(shared, "clash")
        assert take(shared, "clash", two) == 2
        connection.execute(save_twice, [row, row])

    with pytest.raises(ClaimLostError, match="taken clash over"), of_one.writing() as connection:
        lose_it_and_clash(connection)
    # From then on, it does not come as far as that.
    with pytest.raises(ClaimLostError, match="taken clash over"), of_one.writing():
        pytest.fail("it has begun")


def test_lost_work_is_let_go_of_at_once(shared: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    one, ended = of(shared, "one"), threading.Event()
    monkeypatch.setattr(Nothing, "stop", lambda _self: ended.set())
    one.start()
    run_out(shared, "jobs")
    assert take(shared, "jobs", Claimant("three")) is not None
    one._renew()
    # Long before the next look, which comes after four seconds.
    assert ended.wait(2)
    one.stop()
    run_out(shared, "jobs")


def test_a_take_over_waits_for_a_commit_that_is_under_way(shared: Store) -> None:
    one, two = Claimant("one"), Claimant("two")
    epoch = take(shared, "c", one)
    assert epoch is not None
    run_out(shared, "c")
    took: list[int | None] = []
    with shared.engine.begin() as connection:
        guarded = fenced(shared, "c", one.owner, epoch)
        assert guarded._after is not None
        guarded._after(connection)
        taker = threading.Thread(target=lambda: took.append(take(shared, "c", two)))
        taker.start()
        taker.join(0.3)
        assert took == []
    taker.join(10)
    assert took == [2]


def test_the_end_of_a_process_of_this_machine_is_seen_at_once(shared: Store) -> None:
    process = subprocess.Popen(["sleep", "60"])
    place = place_of(process.pid)
    other = Claimant("other", place=place)
    assert take(shared, "d", other) == 1
    assert not has_ended(place)
    assert take(shared, "d", Claimant("me")) is None
    process.kill()
    process.wait(10)
    assert has_ended(place)
    with shared.reading() as connection:
        assert [c.is_live for c in all_claims(connection) if c.name == "d"] == [False]
    assert take(shared, "d", Claimant("me")) == 2
    # Of another machine, or of one that has started anew, nothing can be told.
    assert not has_ended("")
    assert not has_ended("elsewhere pid:[1] 7 7")


class Nothing:
    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass


def of(store: Store, called: str) -> Duties:
    metrics = Metrics(CollectorRegistry())
    work = ["jobs", "watch/0", "watch/1"]
    return Duties(store, Claimant(called), duties.KINDS, lambda: work, lambda *_: Nothing(), metrics)


def test_two_share_the_work_and_a_third_of_the_same_name_is_refused(
    shared: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(duties, "WAIT_S", 0.2)
    one, two = of(shared, "one"), of(shared, "two")
    one.start()
    assert one.held == ["jobs", "watch/0", "watch/1"]
    two.start()
    assert two.held == []
    with pytest.raises(StoreError, match=r"a daemon called 'one' works on it already .*--name NAME"):
        of(shared, "one").start()
    one._arrange()
    two._arrange()
    assert (one.held, two.held) == (["jobs", "watch/0"], ["watch/1"])
    one.stop()
    two._arrange()
    assert two.held == ["jobs", "watch/0", "watch/1"]
    # Held up for too long: what another has taken over by now ends here.
    run_out(shared, "watch/0")
    assert take(shared, "watch/0", Claimant("three")) is not None
    two._renew()
    two._arrange()
    assert two.held == ["jobs", "watch/1"]
    two.stop()
    with shared.reading() as connection:
        live = {c.name for c in all_claims(connection) if c.is_live}
    assert not live & {"jobs", "watch/1", "process/one", "process/two"}


def test_what_is_let_go_of_while_claims_are_renewed_is_not_called_lost(
    shared: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    one = of(shared, "one")
    one.start()

    def stop_first(connection: Connection, me: Claimant, names: Collection[str]) -> set[str]:
        one._stop(["watch/1"])
        return renew_claims(connection, me, names)

    monkeypatch.setattr(duties, "renew_claims", stop_first)
    one._renew()
    monkeypatch.undo()
    assert "jobs" in one.held
    assert "watch/1" not in one.held
    assert "taken" not in caplog.text
    one.stop()


@pytest.mark.sqlite_only("a lock on a file beside its file")
def test_a_second_daemon_on_sqlite_is_refused(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path}/store.sqlite")
    only = OneProcess(store)
    with pytest.raises(StoreError, match=r"another daemon works on it \(process \d+ on .*\); stop that one"):
        OneProcess(store)
    only.let_go()
    OneProcess(store).let_go()
    store.close()


def test_a_fenced_transaction_ends_when_its_process_stops_in_its_middle(shared: Store) -> None:
    epoch = take(shared, "e", me := Claimant("me"))
    assert epoch is not None
    with fenced(shared, "e", me.owner, epoch).writing() as connection:
        shown = connection.execute(text("SHOW idle_in_transaction_session_timeout")).scalar_one()
    assert shown == "30s"


def test_whoever_stops_in_the_middle_of_a_claim_holds_up_nobody_for_long(
    shared: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown: dict[str, set[str]] = {}
    for name in ("take_claim", "renew_claims", "leave_claims"):

        def see(connection: Connection, *more: Any, name: str = name) -> Any:
            limit = connection.execute(text("SHOW idle_in_transaction_session_timeout")).scalar_one()
            shown.setdefault(name, set()).add(limit)
            return getattr(claims, name)(connection, *more)

        monkeypatch.setattr(duties, name, see)
    one = of(shared, "held up")
    one.start()
    one._renew()
    one.stop()
    assert shown == {"take_claim": {"30s"}, "renew_claims": {"30s"}, "leave_claims": {"30s"}}


@given(
    st.dictionaries(st.text("abcdef", min_size=1, max_size=3), st.integers(1, 500), min_size=1, max_size=20),
    st.integers(1, 6),
    st.integers(1, 6),
)
def test_regions_are_shared_out_evenly_and_stay(weights: dict[str, int], before: int, parts: int) -> None:
    first = divide(weights, {}, before)
    result = divide(weights, first, parts)
    assert set(result) == set(weights)
    assert set(result.values()) <= set(range(parts))
    load = [sum(weights[g] for g, of in result.items() if of == part) for part in range(parts)]
    # More than 1.5 times its share has only a part none of whose groups could go: of five groups alike in
    # four parts two are together whatever one does, which is 1.6 times the share.
    for group, part in result.items():
        assert load[part] <= max(1.5 * sum(weights.values()) / parts, min(load) + weights[group])
    assert divide(weights, result, parts) == result


def test_a_part_with_too_much_is_helped_though_another_as_heavy_cannot_be() -> None:
    present = {"one": 0, "two": 1, "three": 1}
    assert divide({"one": 3, "two": 2, "three": 1}, present, 4) == {"one": 0, "two": 2, "three": 1}


def test_regions_that_share_a_site_stay_together() -> None:
    rows = [("a", "north"), ("b", "south"), ("a", "south"), ("c", "east"), ("d", "")]
    assert regions_together(rows) == {"north": "north", "south": "north", "east": "east", "": ""}
