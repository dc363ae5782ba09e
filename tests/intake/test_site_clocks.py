"""A site whose clock is off, from its messages to what is kept: marked or corrected, on both databases."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer, Written
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import Flag
from standingwatch.settings import IntakeSettings
from standingwatch.store import tables
from standingwatch.store.clocks import load_corrections, site_clocks
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list

NOW_US = 1_795_000_000_000_000
SECOND, HOUR = 1_000_000, 3_600_000_000
INVENTORY = "site,transmitter,frequency_mhz\namber,a1,446\namber,a2,446\nbirch,b1,446\n"

Make = Callable[..., Writer]


@pytest.fixture
def make(store: Store) -> Make:
    """Makes a writer, as a start of the service does."""
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(INVENTORY, "fleet.csv").rows, NOW_US)

    def made(clock: str = "correct", **more: Any) -> Writer:
        return Writer(
            store,
            IntakeSettings.model_validate({"clock": clock, **more}),
            FleetDefaults(),
            "standingwatch",
            Metrics(CollectorRegistry()),
            lambda: NOW_US + 24 * HOUR,
        )

    return made


def report(received_us: int, behind_us: int, place: str = "amber/a1", watts: float = 50.0) -> Arrived:
    """A report measured the moment that it came, by a clock that is behind."""
    body = {"time": (received_us - behind_us) / 1e6, "forward_w": watts, "reflected_w": 0.5}
    return Arrived(f"standingwatch/report/{place}", json.dumps(body).encode(), received_us)


def minutes(count: int, behind_us: int, begin_us: int = NOW_US, place: str = "amber/a1") -> list[Arrived]:
    """A report a minute, 0.1 s on the way."""
    return [
        report(begin_us + i * 60 * SECOND, behind_us + SECOND // 10, place, 50.0 + i) for i in range(count)
    ]


def write(writer: Writer, messages: Sequence[Arrived], rows: int = 7) -> Written:
    """Write messages in batches; the sum of what became of them."""
    parts = [writer.write(messages[i : i + rows]) for i in range(0, len(messages), rows)]
    return Written(
        sum(p.stored for p in parts),
        sum(p.repeated for p in parts),
        tuple(r for p in parts for r in p.refused),
        0.0,
    )


def kept(store: Store) -> list[Any]:
    """What is kept, in the order of receipt."""
    columns = tables.readings.c
    with store.reading() as connection:
        return list(
            connection.execute(select(tables.readings).order_by(columns.received_us, columns.forward_w))
        )


def test_by_default_reports_are_marked_and_their_times_are_as_said(make: Make, store: Store) -> None:
    assert write(make("mark"), minutes(20, HOUR)).stored == 20
    rows = kept(store)
    assert all(r.time_us == r.received_us - HOUR - SECOND // 10 for r in rows)
    assert all(r.clock_offset_us is None for r in rows)
    assert [bool(r.flags & Flag.CLOCK_OFF) for r in rows] == [False] * 3 + [True] * 17


@pytest.mark.parametrize("behind_us", [HOUR, -HOUR, 30 * 24 * HOUR])
def test_corrected_reports_have_the_time_by_our_clock_and_what_was_added(
    make: Make, store: Store, behind_us: int
) -> None:
    assert write(make(), minutes(20, behind_us)).stored == 20
    rows = kept(store)
    assert all(r.clock_offset_us is None for r in rows[:3])
    for r in rows[3:]:
        assert abs(r.time_us - r.received_us) <= SECOND
        assert r.time_us - r.clock_offset_us == r.received_us - behind_us - SECOND // 10
        assert r.flags & Flag.CLOCK_OFF
        assert not r.flags & Flag.FUTURE
    with store.reading() as connection:
        amber, birch = site_clocks(connection, ("amber", "birch"))
    assert amber.is_off
    assert amber.off_s == pytest.approx(behind_us / 1e6, abs=0.2)
    assert birch.behind_s is None
    assert not birch.is_off


def test_the_clock_of_one_site_says_nothing_about_another(make: Make, store: Store) -> None:
    mixed = sorted(minutes(20, HOUR) + minutes(20, 0, place="birch/b1"), key=lambda m: m.received_us)
    assert write(make(), mixed).stored == 40
    birch = [r for r in kept(store) if r.transmitter == 3]
    assert len(birch) == 20
    assert all(r.clock_offset_us is None and not r.flags & Flag.CLOCK_OFF for r in birch)


def test_a_right_clock_and_a_backlog_are_left_alone(make: Make, store: Store) -> None:
    writer = make()
    write(writer, minutes(10, 0))
    back_us = NOW_US + 14 * 24 * HOUR
    backlog = [
        report(back_us + i * SECOND, 14 * 24 * HOUR - i * 300 * SECOND, watts=60 + i) for i in range(900)
    ]
    assert write(writer, backlog, 100).stored == 900
    assert all(r.clock_offset_us is None and not r.flags & Flag.CLOCK_OFF for r in kept(store))


def test_a_restart_goes_on_as_if_there_had_been_none(make: Make, store: Store) -> None:
    stream = minutes(40, HOUR)
    # With the start of a group lost at most, that is at a group's end not even that.
    for begin in range(0, 40, 8):
        write(make(), stream[begin : begin + 8], 8)
    rows = kept(store)
    assert all(r.clock_offset_us is not None for r in rows[8:])
    assert len({r.clock_offset_us for r in rows[8:]}) == 1


def test_a_repeat_after_another_correction_stays_a_repeat(make: Make, store: Store) -> None:
    """Three corrections: none, an hour, an hour and two minutes; every report is sent under each of them."""
    first, second = minutes(20, HOUR), minutes(20, HOUR + 120 * SECOND, NOW_US + HOUR)
    writer = make()
    assert write(writer, first).stored == 20
    assert write(writer, second).stored == 20
    before = [tuple(r) for r in kept(store)]
    with store.reading() as connection:
        assert len({c.off_us for c in load_corrections(connection)["amber"]}) == 2
    for messages in (first, second, first + second):
        late = [m._replace(received_us=NOW_US + 2 * HOUR) for m in messages]
        # By the same writer, and by one that has just started.
        for one in (writer, make(), make("mark")):
            written = write(one, late)
            assert (written.stored, written.repeated, written.refused) == (0, len(late), ())
    assert [tuple(r) for r in kept(store)] == before


def test_other_powers_at_one_time_are_refused_under_another_correction_too(make: Make, store: Store) -> None:
    writer = make()
    first = minutes(20, HOUR)
    write(writer, first)
    body = json.loads(first[0].payload) | {"reflected_w": 9.0}
    other = first[0]._replace(payload=json.dumps(body).encode(), received_us=NOW_US + HOUR // 2)
    written = writer.write([other])
    assert (written.stored, [r.reason for r in written.refused]) == (0, ["conflicting-repeat"])
    assert written.refused[0].payload == other.payload


def test_refused_reports_put_in_again_get_what_held_when_they_came(make: Make, store: Store) -> None:
    writer = make()
    write(writer, minutes(20, HOUR))
    write(writer, minutes(20, 0, NOW_US + 2 * HOUR))
    then = report(NOW_US + 15 * 60 * SECOND + 1, HOUR, "amber/a2")
    now = report(NOW_US + 2 * HOUR + 15 * 60 * SECOND + 1, 1, "amber/a2")
    assert make().write([then, now], put_in_again=[1, 2]).stored == 2
    mine = [r for r in kept(store) if r.transmitter == 2]
    assert [r.clock_offset_us for r in mine] == [pytest.approx(HOUR, abs=SECOND), None]
    with store.reading() as connection:
        (clock,) = site_clocks(connection, ("amber",))
    # They taught nothing: the last that was seen came before.
    assert not clock.is_off
    assert clock.jumps == 1


def test_a_report_without_a_time_that_gets_its_receipt_is_left_alone(make: Make, store: Store) -> None:
    writer = make(time_if_absent="receipt")
    write(writer, minutes(60, HOUR))
    bare = Arrived(
        "standingwatch/report/amber/a2", b'{"forward_w": 50, "reflected_w": 0.5}', NOW_US + HOUR // 2
    )
    assert writer.write([bare]).stored == 1
    # One that was refused, and is put in again.
    other = bare._replace(received_us=NOW_US + HOUR // 4)
    assert writer.write([other], put_in_again=[1]).stored == 1
    rows = [r for r in kept(store) if r.transmitter == 2]
    assert [r.time_us for r in rows] == [NOW_US + HOUR // 4, NOW_US + HOUR // 2]
    assert all(r.clock_offset_us is None and not r.flags & Flag.CLOCK_OFF for r in rows)


def test_a_batch_that_fails_teaches_nothing(
    make: Make, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same batch, tried again, gives the same."""
    from standingwatch.intake import writer as module

    stream = minutes(20, HOUR)
    writer = make()
    real, failed = module.refuse, []

    def failing(*given: Any) -> None:
        if len(failed) < 3:
            failed.append(True)
            raise OSError("the disk is away")
        real(*given)

    write(writer, stream[:2])
    monkeypatch.setattr(module, "refuse", failing)
    for _ in range(3):
        with pytest.raises(OSError, match="away"):
            writer.write(stream[2:10])
    write(writer, stream[2:10], 8)
    monkeypatch.undo()
    write(writer, stream[10:])
    rows = kept(store)
    assert [r.clock_offset_us is not None for r in rows] == [False] * 3 + [True] * 17
    with store.reading() as connection:
        assert len(load_corrections(connection)["amber"]) == 1


def test_the_metrics_say_so_after_a_start_too(make: Make) -> None:
    write(make("mark"), minutes(20, HOUR) + minutes(20, 0, NOW_US + HOUR, "birch/b1"))
    samples = {
        (s.name, s.labels["site"]): s.value
        for family in make()._metrics.registry.collect()
        for s in family.samples
        if s.name.startswith("standingwatch_site_clock")
    }
    assert samples["standingwatch_site_clock_behind_seconds", "amber"] == pytest.approx(3600.1)
    assert samples["standingwatch_site_clock_off", "amber"] == 1
    assert samples["standingwatch_site_clock_off", "birch"] == 0
    assert samples["standingwatch_site_clock_jumps", "birch"] == 0
    assert ("standingwatch_site_clock_drift_ratio", "amber") not in samples
