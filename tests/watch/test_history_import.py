"""History that is put in behind a watch that runs: it ends as if all had come as it happened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from databases import address_of
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition
from standingwatch.intake.importing import Importer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import QualityCarry, Readings, qualify
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.imports import history_is_ready, list_imports, take_back
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import replace_site_list
from standingwatch.store.watching import present_baselines, rollup_frame
from standingwatch.watch.live import Watch, WatchOptions
from standingwatch.watch.retake import TAKEN_MARK

START_US = 1_767_225_600_000_000
DAY_US = 24 * HOUR_US
DAYS, LIVE_DAYS = 40, 2
#: Day on which the match of one transmitter gets worse for good, and days on which another's is bad.
BROKEN_DAY, BAD_DAYS = 25, (28, 31)
SITES = "site,transmitter,frequency_mhz,expected_interval_s\n" + "".join(
    f"{site},{site[0]}1,446,1800\n" for site in ("amber", "birch", "cedar")
)
OPTIONS = WatchOptions(DetectionSettings(), FleetDefaults())


def all_readings() -> Readings:
    """Reports every half hour: one line breaks and stays so, one is bad for three days, one is well."""
    rng = np.random.default_rng(7)
    parts = []
    for position in range(3):
        time_us = START_US + np.arange(DAYS * 48) * 1_800_000_000 + position * 60_000_000
        day = (time_us - START_US) // DAY_US
        forward_w = np.round(rng.normal(90, 1, len(time_us)), 1)
        rho = rng.normal(0.08, 0.003, len(time_us))
        if position == 0:
            rho[day >= BROKEN_DAY] += 0.10
        if position == 1:
            rho[(day >= BAD_DAYS[0]) & (day < BAD_DAYS[1])] += 0.4
        parts.append(
            Readings.from_columns(
                {
                    "transmitter": np.full(len(time_us), position),
                    "time_us": time_us,
                    "forward_w": forward_w,
                    "reflected_w": np.round(forward_w * rho**2, 3),
                }
            )
        )
    return Readings.concatenate(parts).sorted_by_time()


class Service:
    """A watch over a store with the site list, and a clock that goes with what arrives."""

    def __init__(self, store: Store) -> None:
        self.store, self.now_us = store, START_US
        with store.writing() as connection:
            replace_site_list(connection, read_inventory_text(SITES, "fleet.csv").rows, START_US)
        self.importer = Importer(store, FleetDefaults(), 300.0, lambda: self.now_us)
        self.fleet = self.importer.fleet
        self.carry = QualityCarry.empty(len(self.fleet))
        self.watch = self.new_watch()

    def new_watch(self) -> Watch:
        return Watch(self.store, OPTIONS, Metrics(CollectorRegistry()), lambda: self.now_us)

    def live(self, readings: Readings, *, backwards: bool = False) -> None:
        """Let them arrive a day at a time, each day's in order or the last first."""
        for day in np.unique(readings.time_us // DAY_US).tolist():
            part = readings.take(readings.time_us // DAY_US == day)
            part = part.take(slice(None, None, -1)) if backwards else part
            self.now_us = (day + 1) * DAY_US
            received = np.full(len(part), self.now_us)
            part, self.carry = qualify(part, self.fleet, received, self.carry, 300.0)
            with self.store.writing() as connection:
                arrival = new_arrival(connection, self.now_us, len(part))
                insert_readings(connection, arrival, part, self.fleet.key[part.transmitter], received)
                since_us = int(readings.time_us.min())
                set_horizon(connection, "test", Horizon(since_us, self.now_us))
            self.run()

    def run(self) -> int:
        """Passes until there is nothing left; how many there were."""
        passes = 1
        while self.watch.make_pass():
            passes += 1
            assert passes < 10_000
        return passes

    def import_(self, readings: Readings, folder: Path) -> None:
        """By files, one a transmitter, so that what is imported is not in order of time."""
        for position in np.unique(readings.transmitter).tolist():
            part = readings.take(readings.transmitter == position)
            site, name = self.fleet.site[position], self.fleet.transmitter[position]
            lines = ["site,transmitter,time,forward_w,reflected_w"] + [
                f"{site},{name},{np.datetime64(t, 'us')}Z,{f},{r}"
                for t, f, r in zip(
                    part.time_us.tolist(), part.forward_w.tolist(), part.reflected_w.tolist(), strict=True
                )
            ]
            path = folder / f"{site}.csv"
            path.write_text("\n".join(lines) + "\n")
            result = self.importer.import_file(path, None)
            assert (result.stored, dict(result.refused)) == (len(part), {})
        self.importer.roll_up()
        self.tell_the_watch()

    def tell_the_watch(self) -> None:
        with self.store.writing() as connection:
            assert history_is_ready(connection)

    def look(self) -> dict[str, Any]:
        """What the watch has come to."""
        with self.store.reading() as connection:
            state = {
                (r.part, r.site, r.transmitter): bytes(r.state)
                for r in connection.execute(select(tables.watch_state))
            }
            # Quick state holds what is known of silence, which files do not say.
            slow = {key: kept for key, kept in state.items() if key[0] in ("slow", "climate")}
            alarms = {
                key: (alarm.severity, alarm.raised_us)
                for key, alarm in load_alarms(connection, standing_only=True).items()
            }
            baselines = [
                (r.transmitter, r.time_us, r.kind, r.rho, r.spread)
                for r in connection.execute(select(tables.baselines).order_by(*tables.baselines.primary_key))
            ]
            return {
                "slow": slow,
                "alarms": alarms,
                "baselines": baselines,
                "hours": rollup_frame(connection, 0, self.now_us).to_dict("list").__repr__(),
            }


@pytest.fixture
def new_store(tmp_path: Path) -> Callable[[str], Store]:
    def make(name: str) -> Store:
        store = Store(address_of(tmp_path / f"{name}.sqlite"))
        store.migrate()
        return store

    return make


def split(readings: Readings) -> tuple[Readings, Readings]:
    begin_us = START_US + (DAYS - LIVE_DAYS) * DAY_US
    return readings.take(readings.time_us < begin_us), readings.take(readings.time_us >= begin_us)


@pytest.fixture
def as_it_happened(new_store: Callable[[str], Store]) -> Any:
    """What a watch comes to that saw everything live."""
    store = new_store("live")
    service = Service(store)
    service.live(all_readings())
    found = service.look()
    store.close()
    assert {key.condition for key in found["alarms"]} >= {Condition.SWR_STEP}
    return found


def test_history_behind_a_live_watch(store: Store, tmp_path: Path, as_it_happened: Any) -> None:
    past, present = split(all_readings())
    service = Service(store)
    # Those that came late are taken in at their own time too.
    service.live(present, backwards=True)
    before = service.look()
    assert before["alarms"] == {}, "two days are no baseline: the broken line is not known to be worse"
    assert len(before["slow"]) == 6
    with store.reading() as connection:
        told_before = len(connection.execute(select(tables.alarm_changes)).all())

    service.import_(past, tmp_path)
    assert service.run() > 1
    after = service.look()
    assert after["slow"] == as_it_happened["slow"]
    assert after["baselines"] == as_it_happened["baselines"]
    assert after["hours"] == as_it_happened["hours"]
    assert after["alarms"] == as_it_happened["alarms"]
    with store.reading() as connection:
        present_ones = present_baselines(connection)
        assert {row.kind for row in present_ones.values()} == {"full"}
        query = select(tables.alarm_changes).order_by(tables.alarm_changes.c.id)
        told = connection.execute(query).all()[told_before:]
    # Only what stands, once, with the time since when it was true; the three bad days are no alarm of now.
    assert {row.site for row in told} == {"amber"}
    assert {row.kind for row in told} == {"raised"}
    for row in told:
        assert START_US + BROKEN_DAY * DAY_US <= row.time_us < START_US + (BROKEN_DAY + 8) * DAY_US
        assert row.noted_us == service.now_us
    # A watch that starts now goes on from the same state, and nothing is taken in twice.
    service.watch = service.new_watch()
    service.run()
    assert service.look() == after


def test_history_into_an_empty_store(store: Store, tmp_path: Path, as_it_happened: Any) -> None:
    past, present = split(all_readings())
    service = Service(store)
    service.now_us = START_US + (DAYS - LIVE_DAYS) * DAY_US
    service.import_(past, tmp_path)
    service.run()
    service.live(present)
    after = service.look()
    assert after["baselines"] == as_it_happened["baselines"]
    assert after["slow"] == as_it_happened["slow"]
    assert after["hours"] == as_it_happened["hours"]
    assert after["alarms"] == as_it_happened["alarms"]


def test_a_kill_before_the_change_of_memory_begins_anew(
    new_store: Callable[[str], Store], tmp_path: Path, as_it_happened: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = new_store("killed")
    past, present = split(all_readings())
    service = Service(store)
    service.live(present)
    service.import_(past, tmp_path)

    def fail(*_: object) -> None:
        raise RuntimeError("stopped in the middle of the last transaction")

    before = service.look()
    with monkeypatch.context() as patch:
        patch.setattr("standingwatch.watch.history_pass.save_progress", fail)
        with pytest.raises(RuntimeError, match="in the middle"):
            service.run()
    assert service.look() == before
    service.watch = service.new_watch()
    service.run()
    after = service.look()
    assert {k: after[k] for k in ("slow", "alarms")} == {k: as_it_happened[k] for k in ("slow", "alarms")}
    store.close()


def test_an_import_that_is_taken_back_is_forgotten(new_store: Callable[[str], Store], tmp_path: Path) -> None:
    store = new_store("back")
    past, present = split(all_readings())
    service = Service(store)
    service.live(present)
    before = service.look()
    service.import_(past, tmp_path)
    service.run()
    assert service.look() != before
    from standingwatch.intake.importing import roll_up_span

    with store.writing() as connection:
        for one in list_imports(connection):
            take_back(connection, one.number)
    roll_up_span(store, service.fleet.key, START_US, START_US + DAYS * DAY_US, replace=True)
    service.tell_the_watch()
    service.run()
    after = service.look()
    assert after == {**before, "alarms": {}}
    with store.reading() as connection:
        ends = [
            row.kind
            for row in connection.execute(select(tables.alarm_changes).order_by(tables.alarm_changes.c.id))
        ]
    assert set(ends) == {"raised", "cleared"}
    store.close()


def test_baselines_are_not_learned_anew_from_what_is_left_of_the_readings(
    new_store: Callable[[str], Store], tmp_path: Path
) -> None:
    store = new_store("purged")
    past, _present = split(all_readings())
    service = Service(store)
    service.live(all_readings().take(all_readings().time_us < START_US + 20 * DAY_US))
    before = service.look()
    with store.writing() as connection:
        # What retention leaves: hours without their readings.
        connection.execute(tables.readings.delete().where(tables.readings.c.time_us < START_US + 10 * DAY_US))
    late = past.take((past.transmitter == 2) & (past.time_us >= START_US + 15 * DAY_US))
    later = late.take(slice(0, 100))
    later = Readings.from_columns(
        {
            "transmitter": later.transmitter,
            "time_us": later.time_us + 7,
            "forward_w": later.forward_w,
            "reflected_w": later.reflected_w,
        }
    )
    service.import_(later, tmp_path)
    service.run()
    after = service.look()
    assert after["slow"] == before["slow"]
    assert after["baselines"] == before["baselines"]
    assert after["hours"] != before["hours"]
    with store.reading() as connection:
        mark = tables.marks.c
        assert connection.execute(select(mark.value).where(mark.name == TAKEN_MARK)).scalar_one() > 0
    store.close()
