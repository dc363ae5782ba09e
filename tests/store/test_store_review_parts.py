"""A review made in parts by other processes is the same to the last byte, also when one is killed."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np
import pytest
from ports import free_port
from sqlalchemy import insert, text
from waiting import wait_until

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.store import review_fleet, tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.review_due import Plan, Plans, make_due
from standingwatch.store.review_parts import Helpers
from standingwatch.store.reviews import Making, load_review, make
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import Progress, add_baselines, save_progress

HOUR = 3_600_000_000
#: 2026-03-14 09:00:00 UTC
NOW = 1_773_478_800_000_000
COUNT = 23


@pytest.fixture
def store(postgres_database: Callable[[], str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A fleet in two regions with alarms, courses of 90 days and a few that say nothing; small parts."""
    monkeypatch.setattr(review_fleet, "TRENDS_A_PART", 4)
    monkeypatch.setattr(review_fleet, "FLEET_A_PART", 5)
    made = Store(postgres_database())
    made.migrate()
    rng = np.random.default_rng(5)
    rows = [
        InventoryRow(f"site-{i:02}", "t", 150.0, region="North" if i % 3 else "South") for i in range(COUNT)
    ]
    with made.writing() as connection:
        replace_site_list(connection, rows, NOW - 5000 * HOUR)
        keys = load_site_list(connection).keys.tolist()
        save_progress(connection, "main", Progress(0, NOW, NOW, ""))
        for i, key in enumerate(keys):
            # Not in the order of time, as hours that were put right later lie in the table.
            at_hour = rng.permutation(np.arange(1 + (i % 5 == 4) * 200, 90 * 24))[:400].tolist()
            connection.execute(
                insert(tables.rollups),
                [
                    {
                        "transmitter": key,
                        "hour_us": NOW - back * HOUR,
                        "reports": 6,
                        "usable": 6,
                        "rho_median": float(rng.uniform(0.05, 0.3)),
                    }
                    for back in at_hour
                ],
            )
            key_of = AlarmKey(f"site-{i:02}", "t", Condition.SWR_HIGH)
            change = apply(None, Evidence(key_of, Severity(3 + i % 3), NOW - (i + 1) * HOUR), NOW - i * HOUR)
            assert change is not None
            save_changes(connection, [change], "urn:test")
        known = [
            BaselineChange(i, NOW - 900 * HOUR, "first", 0.1 + i / 100, 0.01, "") for i in range(0, COUNT, 2)
        ]
        add_baselines(connection, known, np.array(keys))
    yield made
    made.close()


def review_by(store: Store, executor: Executor | None) -> str:
    with store.reading() as connection:
        return make(connection, "", "UTC", NOW, Making(), executor=executor).to_json()


@pytest.fixture
def alone(store: Store) -> str:
    """The review without helpers."""
    text = review_by(store, None)
    assert text.count('"site-') > COUNT
    return text


class KilledOnce(Helpers):
    """Processes of which the first lot dies at its first work, as by the machine's lack of memory."""

    lots = 0

    @contextmanager
    def hired(self) -> Iterator[Executor | None]:
        with super().hired() as executor:
            assert executor is not None
            KilledOnce.lots += 1
            if KilledOnce.lots == 1:
                executor.submit(os._exit, 9)
            yield executor


def test_processes_give_the_same_review_also_when_they_are_killed(store: Store, alone: str) -> None:
    with Helpers(processes=2).hired() as executor:
        assert executor is not None
        assert review_by(store, executor) == alone
        with store.reading() as connection:
            # From here on this transaction sees one moment, and so do those who help with it.
            connection.execute(text("SELECT 1 FROM rollups LIMIT 1"))
            with store.writing() as another:
                another.execute(text("UPDATE rollups SET rho_median = rho_median / 2"))
            assert make(connection, "", "UTC", NOW, Making(), executor=executor).to_json() == alone
        with store.writing() as another:
            another.execute(text("UPDATE rollups SET rho_median = rho_median * 2"))
    plans = Plans(Plan("", 5, 30, "UTC"), how=Making(helpers=KilledOnce(processes=2)))
    KilledOnce.lots = 0
    numbers = make_due(store, plans, plans.whole, NOW)
    assert KilledOnce.lots == 2
    with store.reading() as connection:
        made = [load_review(connection, number) for number in numbers]
    assert [review.region for review in made if review is not None] == ["", "North", "South"]
    assert made[0] is not None
    assert made[0].to_json() == alone


def test_a_cluster_that_is_not_there_leaves_the_work_to_the_service(
    store: Store, alone: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("standingwatch.store.review_parts.WORKER_WAIT_S", 0.2)
    helpers = Helpers(cluster=f"tcp://127.0.0.1:{free_port()}")
    plans = Plans(Plan("", 5, 30, "UTC"), how=Making(helpers=helpers))
    numbers = make_due(store, plans, plans.whole, NOW)
    with store.reading() as connection:
        review = load_review(connection, numbers[0])
    assert review is not None
    assert review.to_json() == alone
    assert len(numbers) == 3
    assert "helpers lost, 3 reviews are still to make" in caplog.text


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler and two workers, each a process."""
    address = f"tcp://127.0.0.1:{free_port()}"
    place = ["--dashboard-address", "127.0.0.1:0"]
    with ExitStack() as stack:

        def run(what: str, *words: str) -> subprocess.Popen[bytes]:
            module = f"distributed.cli.dask_{what}"
            started = subprocess.Popen(
                [sys.executable, "-m", module, *words, *place], cwd=tmp_path, stderr=subprocess.DEVNULL
            )
            stack.callback(started.wait, 20)
            stack.callback(started.kill)
            return started

        run("scheduler", "--host", "127.0.0.1", "--port", address.rpartition(":")[2])
        workers = [run("worker", address, "--nthreads", "1", "--no-nanny") for _ in range(2)]
        yield address, workers


@pytest.mark.long
# Dask's own, of a scheduler that ends.
@pytest.mark.filterwarnings("default")
def test_a_dask_cluster_gives_the_same_review_also_when_a_worker_is_killed(
    store: Store, alone: str, cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    from distributed import Client

    address, workers = cluster
    with Client(address, timeout=60, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)

        def busy() -> int:
            return sum(bool(tasks) for tasks in client.processing().values())

        with Helpers(cluster=address).hired() as executor:
            assert executor is not None
            assert review_by(store, executor) == alone
            told: list[str] = []
            with store.writing() as connection:
                # Parts wait for the table, so that the kill comes in their middle.
                connection.execute(text("LOCK TABLE baselines IN ACCESS EXCLUSIVE MODE"))
                thread = threading.Thread(target=lambda: told.append(review_by(store, executor)))
                thread.start()
                wait_until(lambda: busy() == 2, 30, "both workers have parts")
                workers[0].kill()
                wait_until(lambda: len(client.scheduler_info()["workers"]) == 1, 30, "one worker is gone")
                assert told == []
            thread.join(60)
    assert told == [alone]
