"""Payload profiles in `check`, `inventory import`, `refused retry` and at the start of the service."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import run
from databases import address_of
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.daemon import Daemon, StartError
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings, load_settings
from standingwatch.store import tables
from standingwatch.store.connect import Store

SERVICE = Path(__file__).parents[2] / "service"
NOW_US = 1_795_000_000_000_000
GATEWAY = """\
topic = "plant/{site}/rf/{transmitter}"
format = "json"
[fields]
time = { pointer = "/t", form = "unix_s" }
forward = { pointer = "/f", unit = "W" }
reflected = { pointer = "/r", unit = "W" }
"""
SITES = "site,transmitter,frequency_mhz,profile\nhill-03,tx-1,155.34,gateway\n"


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str, str], Path]:
    """Writes a file into the folder that the commands run in."""

    def write(name: str, text: str) -> Path:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
        return path

    return write


def test_check_shows_each_problem_of_each_profile(tmp_path: Path, write: Callable[[str, str], Path]) -> None:
    write("standingwatch.toml", "")
    write("sites.csv", SITES + "hill-03,tx-2,155.34,logger\nhill-03,tx-3,155.34,broken\n")
    write("profiles/gateway.toml", GATEWAY)
    write("profiles/broken.toml", GATEWAY.replace('"W"', '"w"').replace('"/r"', '"r"'))
    done = run(tmp_path, "check", "--inventory", "sites.csv")
    assert done.returncode == 1
    powers = "W, mW, kW, dBm, dBW"
    assert done.stderr.replace(f"{tmp_path}/", "").splitlines() == [
        f'error: profiles/broken.toml:5: fields.forward.unit: got "w", wanted one of {powers}, V, mV, count; '
        "did you mean W?",
        'error: profiles/broken.toml:6: fields.reflected.pointer: got "r", wanted a JSON pointer, which '
        'begins with /, such as "/power/forward"; "" for the whole',
        f'error: profiles/broken.toml:6: fields.reflected.unit: got "w", wanted one of {powers}, SWR, dB, '
        "rho, %, V, mV, count; did you mean W?",
        'error: sites.csv:3: profile: got "logger" for hill-03/tx-2, wanted a profile that there is: broken, '
        "gateway; write logger.toml in the folder intake.profiles, or leave the column empty",
    ]
    assert f"profiles {tmp_path / 'profiles'}: 1 that can be used" in done.stdout
    assert done.stdout.endswith("4 errors, 0 warnings\n")


def test_a_site_list_whose_profile_is_not_there_is_not_imported(
    tmp_path: Path, write: Callable[[str, str], Path]
) -> None:
    write("sites.csv", SITES)
    done = run(tmp_path, "inventory", "import", "sites.csv")
    assert (done.returncode, done.stdout) == (1, "")
    assert 'got "gateway" for hill-03/tx-1' in done.stderr
    write("profiles/gateway.toml", GATEWAY)
    assert run(tmp_path, "inventory", "import", "sites.csv").returncode == 0


def test_a_profile_is_mended_and_the_reports_are_put_in_again(
    tmp_path: Path, write: Callable[[str, str], Path]
) -> None:
    write("sites.csv", SITES)
    path = write("profiles/gateway.toml", GATEWAY)
    assert run(tmp_path, "inventory", "import", "sites.csv").returncode == 0
    path.write_text(GATEWAY.replace('"/f"', '"/forward"'))
    store = Store(address_of(tmp_path / "standingwatch.sqlite"))
    try:
        metrics = Metrics(CollectorRegistry())
        writer = Writer(store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, lambda: NOW_US)
        report = json.dumps({"t": NOW_US / 1e6 - 10, "f": 50, "r": 1.5}).encode()
        assert len(writer.write([Arrived("plant/hill-03/rf/tx-1", report, NOW_US)]).refused) == 1
        done = run(tmp_path, "refused", "retry")
        assert (done.returncode, done.stdout) == (
            1,
            "1 reports put in again: 0 readings stored, 1 reports refused once more\n",
        )
        path.write_text("nonsense")
        done = run(tmp_path, "refused", "retry")
        assert done.returncode == 1
        assert "gateway.toml:1" in done.stderr
        path.write_text(GATEWAY)
        assert run(tmp_path, "refused", "retry").returncode == 0
        with store.reading() as connection:
            rows = connection.execute(
                select(tables.readings.c.forward_w, tables.readings.c.reflected_w)
            ).all()
        assert [tuple(row) for row in rows] == [(50.0, 1.5)]
    finally:
        store.close()


def test_the_service_does_not_start_with_a_broken_profile(
    tmp_path: Path, write: Callable[[str, str], Path]
) -> None:
    write("standingwatch.toml", "[web]\nenabled = false\n")
    write("profiles/gateway.toml", GATEWAY.replace("unit", "units"))
    daemon = Daemon(load_settings(tmp_path / "standingwatch.toml", {}))
    try:
        with pytest.raises(
            StartError, match=r"gateway\.toml:5: fields\.forward\.units: .*did you mean unit\?"
        ):
            daemon.start()
    finally:
        daemon.stop()
