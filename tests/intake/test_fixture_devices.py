"""All devices of `fixtures/devices` at once, from their files to readings in the store, on both databases."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, InventoryRow
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.settings.profiles import load_profiles
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon
from standingwatch.store.sites import replace_site_list

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
RECEIVED = datetime.fromisoformat("2026-11-25T09:00:00+00:00")
LATER_US = 600_000_000
#: Members of a reading that are columns of the store by the same name.
POWERS = ("forward_w", "reflected_w")


def us(moment: datetime) -> int:
    return round(moment.timestamp() * 1000) * 1000


def all_expected() -> dict[str, dict[str, Any]]:
    return {
        folder.name: tomllib.loads((folder / "expected.toml").read_text())
        for folder in sorted(DEVICES.iterdir())
    }


EXPECTED = all_expected()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The profiles of all devices in one folder, each under its device's name."""
    made = tmp_path / "profiles"
    made.mkdir()
    for name in EXPECTED:
        (made / f"{name}.toml").write_text((DEVICES / name / "profile.toml").read_text())
    return made


def test_all_devices_together_are_stored_as_they_should_be(store: Store, folder: Path) -> None:
    profiles, problems = load_profiles(folder)
    assert [str(problem) for problem in problems] == []
    assert [profile.name for profile in profiles] == list(EXPECTED)
    messages: list[Arrived] = []
    readings: list[dict[str, Any]] = []
    refusals: list[str] = []
    for name, expected in EXPECTED.items():
        for message in expected.get("message", []):
            payload = (DEVICES / name / message["file"]).read_bytes()
            received_us = us(message.get("received", RECEIVED))
            messages.append(Arrived(message["topic"], payload, received_us))
            readings += message.get("reading", [])
            refusals += message.get("refusals", [])
        readings += expected.get("joined", [])
        refusals += ["incomplete"] * expected.get("incomplete", 0)
    messages.sort(key=lambda one: one.received_us)
    places = sorted({(one["site"], one["transmitter"]) for one in readings})
    now_us = us(RECEIVED) + LATER_US
    with store.writing() as connection:
        replace_site_list(connection, [InventoryRow(*place, 150.0) for place in places], now_us)
    writer = Writer(
        store,
        # One device has no clock.
        IntakeSettings(time_if_absent="receipt"),
        FleetDefaults(),
        "standingwatch",
        Metrics(CollectorRegistry()),
        lambda: now_us,
        profiles,
    )
    writer.write(messages)
    # What waits for its partners is given up once the intake has come past it.
    writer.write([], ("intake", Horizon(0, now_us)))
    with store.reading() as connection:
        of, names = tables.readings, tables.transmitters
        query = select(of, names.c.site, names.c.transmitter.label("name"))
        rows = connection.execute(query.join(names, names.c.key == of.c.transmitter)).all()
        refused = connection.execute(select(tables.refused.c.reason)).scalars().all()
    found = {(row.site, row.name, row.time_us): row for row in rows}
    wanted = {(one["site"], one["transmitter"], us(one["time"])): one for one in readings}
    assert set(found) == set(wanted)
    for key, one in wanted.items():
        for member in POWERS:
            assert getattr(found[key], member) == pytest.approx(one[member], rel=1e-9), (key, member)
    assert sorted(refused) == sorted(refusals)
