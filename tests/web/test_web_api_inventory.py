"""The API of the site list and of the intake: what it gives, takes and refuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from prometheus_client import CollectorRegistry

from standingwatch.intake.again import put_in_again
from standingwatch.intake.writer import Writer
from standingwatch.inventory import COLUMNS, FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.store.sites import load_site_list

ROW = "/api/inventory/S001/RPT-1"
NEW = "standingwatch/report/S001/NEW-1"
REPORT = b'{"time": "2026-03-14T09:20:00Z", "forward_w": 98.2, "reflected_w": 1.13, "frequency_mhz": 153.1}'

PROFILE = """
topic = "panel/{site}/{transmitter}"
format = "json"
[fields.time]
pointer = "/when"
form = "unix_s"
[fields.forward]
pointer = "/fwd"
unit = "W"
[fields.reflected]
pointer = "/refl"
unit = "W"
"""


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any], tmp_path: Path) -> Any:
    """A client of two sites of two transmitters, and a stranger whose report waits."""
    fill.sites(2, 2)
    fill.readings(np.arange(3), np.array([60.0, 70.0, 7200.0]), np.array([1.2, 1.3, 1.4]))
    report = RefusedReport(fill.now_us, NEW, REPORT, "unknown-transmitter", "not on the site list")
    with fill.store.writing() as connection:
        refuse(connection, [report])

    def retry(reason: str, topic: str = "") -> tuple[int, int]:
        metrics = Metrics(CollectorRegistry())
        writer = Writer(
            fill.store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, lambda: fill.now_us
        )
        return put_in_again(fill.store, writer, reason=reason, topic=topic, batch_rows=10)

    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "panel.toml").write_text(PROFILE)
    return client_of(fill, retry=retry, profiles=tmp_path / "profiles")


def names(client: Any) -> list[tuple[str, str]]:
    with client.fill.store.reading() as connection:
        return [(row.site, row.transmitter) for row in load_site_list(connection).rows]


def test_the_site_list_row_by_row_and_as_a_table(client: Any) -> None:
    page = client.get("/api/inventory").json()
    assert (page["version"], page["total"], len(page["rows"])) == (1, 4, 4)
    first = page["rows"][0]
    assert set(first) == {column.name for column in COLUMNS}
    assert (first["site"], first["transmitter"], first["frequency_mhz"]) == ("S000", "RPT-1", 152.5125)
    assert first["feeder_type"] is None
    assert client.get("/api/inventory?site=S001").json()["total"] == 2
    assert client.get(ROW).json() == page["rows"][2]
    table = client.get("/api/inventory.csv")
    assert table.headers["content-type"] == "text/csv; charset=utf-8"
    read = read_inventory_text(table.text, "answer")
    assert [(row.site, row.transmitter) for row in read.rows] == names(client)


def test_a_row_is_changed_put_on_and_taken_off(client: Any) -> None:
    row = {"frequency_mhz": 155.25, "region": "Coast", "feeder_loss_db": 1.5}
    changed = client.send("PUT", ROW, json=row)
    assert changed.status_code == 200, changed.text
    told = changed.json()["row"]
    assert (told["frequency_mhz"], told["feeder_loss_db"], told["rated_power_w"]) == (155.25, 1.5, None)
    assert changed.json()["warnings"] == []
    assert client.get("/api/inventory").json()["version"] == 2
    # The same once more changes nothing, not even the version.
    assert client.send("PUT", ROW, json=row).status_code == 200
    assert client.get("/api/inventory").json()["version"] == 2
    assert client.send("PUT", "/api/inventory/S009/A", json={"frequency_mhz": 450.0}).status_code == 201
    assert names(client)[-1] == ("S009", "A")
    assert client.send("DELETE", ROW).status_code == 204
    assert client.send("DELETE", ROW).status_code == 404
    assert client.get(ROW).status_code == 404
    assert client.get("/api/inventory").json()["version"] == 4
    # It comes back as the one that it was, with its history.
    again = client.send("PUT", ROW, json=row)
    assert again.status_code == 201
    with client.fill.store.reading() as connection:
        assert 3 in load_site_list(connection).keys.tolist()


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ({}, "frequency_mhz"),
        ({"frequency_mhz": 0.01}, "frequency_mhz"),
        ({"frequency_mhz": 152.5, "colour": "red"}, "colour"),
        ({"frequency_mhz": 152.5, "site": "S009"}, "site"),
        ({"frequency_mhz": 152.5, "pa_protection": "hope"}, "pa_protection"),
        ({"frequency_mhz": 152.5, "profile": "no-such"}, "wanted one that there is: panel"),
        ({"frequency_mhz": 152.5, "foldback_swr": 0.5}, "foldback_swr"),
        ({"frequency_mhz": 152.5, "feeder_type": "string", "feeder_length_m": 10}, "feeder_type"),
    ],
)
def test_a_bad_row_is_refused_with_every_problem(client: Any, row: dict[str, Any], told: str) -> None:
    before = client.get(ROW).json()
    answer = client.send("PUT", ROW, json=row)
    assert answer.status_code == 422, answer.text
    assert any(told in one for one in answer.json()["problems"])
    assert client.get(ROW).json() == before


def test_the_sites_with_where_they_lie_and_how_they_stand(client: Any) -> None:
    place = {"frequency_mhz": 152.5, "latitude": 54.5, "longitude": -3.25}
    for name in ("RPT-1", "RPT-2"):
        assert client.send("PUT", f"/api/inventory/S000/{name}", json=place).status_code == 200
    first, second = client.get("/api/sites").json()["sites"]
    assert (first["latitude"], first["longitude"], first["transmitters"]) == (54.5, -3.25, ["RPT-1", "RPT-2"])
    assert (first["last_report"], first["severity"]) == ("2026-03-14T09:25:53Z", None)
    assert (second["site"], second["overdue"]) == ("S001", 2)
    assert client.get("/api/sites?region=Coast").json()["total"] == 1


# The intake ------------------------------------------------------------------------------------------------


def test_a_row_may_name_a_profile_that_there_is(client: Any) -> None:
    put = client.send("PUT", ROW, json={"frequency_mhz": 152.5, "profile": "panel"})
    assert (put.status_code, put.json()["row"]["profile"]) == (200, "panel")
    for topic, row in ((NEW, {"frequency_mhz": 152.5, "profile": "no-such"}),):
        answer = client.post("/api/intake/accept", json={"topic": topic, "row": row})
        assert (answer.status_code, "panel" in answer.json()["detail"]) == (422, True)


def test_a_stranger_is_taken_in_with_what_has_waited(client: Any) -> None:
    [waiting] = client.get("/api/intake/refused").json()["reports"]
    assert (waiting["topic"], waiting["payload"]) == (NEW, REPORT.decode())
    [topic] = client.get("/api/intake/unlisted").json()["topics"]
    assert topic["suggested_row"]["frequency_mhz"] == "153.1"
    answer = client.post("/api/intake/accept", json={"topic": NEW})
    assert answer.status_code == 201, answer.text
    assert answer.json() == {
        "site": "S001",
        "transmitter": "NEW-1",
        "warnings": [],
        "stored": 1,
        "refused": 0,
    }
    assert ("S001", "NEW-1") in names(client)
    [kept] = client.get("/api/readings/S001/NEW-1").json()["readings"]
    assert (kept["forward_w"], kept["frequency_mhz"], kept["keyed"], kept["flags"]) == (98.2, 153.1, None, [])
    assert client.get("/api/intake/refused").json()["reports"] == []
    assert client.post("/api/intake/accept", json={"topic": NEW}).status_code == 404


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ({"frequency_mhz": -3}, "frequency_mhz"),
        ({"colour": "red"}, "colour"),
        ({"region": "x"}, "frequency_mhz"),
    ],
)
def test_a_stranger_with_a_bad_row_waits_on(client: Any, row: dict[str, Any], told: str) -> None:
    answer = client.post("/api/intake/accept", json={"topic": NEW, "row": row})
    assert answer.status_code == 422
    assert any(told in one for one in answer.json()["problems"])
    assert len(client.get("/api/intake/refused").json()["reports"]) == 1


def test_reports_are_put_in_again(client: Any, client_of: Callable[..., Any]) -> None:
    given = {"reason": "unknown-transmitter"}
    assert client.post("/api/intake/retry", json=given).json() == {"stored": 0, "refused": 1}
    assert client.send("PUT", "/api/inventory/S001/NEW-1", json={"frequency_mhz": 153.1}).status_code == 201
    assert client.post("/api/intake/retry", json=given).json() == {"stored": 1, "refused": 0}
    without = client_of(client.fill).post("/api/intake/retry", json=given)
    assert (without.status_code, "refused retry" in without.json()["detail"]) == (404, True)


def test_a_payload_is_tried_and_not_kept(client: Any) -> None:
    good = client.post("/api/intake/try", json={"payload": REPORT.decode()}).json()
    assert (good["readings"][0]["forward_w"], good["refused"]) == (98.2, [])
    bad = client.post("/api/intake/try", json={"payload": "{"}).json()
    assert (bad["readings"], bad["refused"][0]["reason"]) == ([], "not-json")
    assert len(client.get("/api/readings/S001/RPT-1").json()["readings"]) == 1


def test_a_report_that_is_no_text_is_told_whole(client: Any) -> None:
    client.fill.refuse(1, "not-json", b"\xff\x00")
    [report] = client.get("/api/intake/refused?reason=not-json").json()["reports"]
    assert (report["payload"], report["payload_base64"]) == (None, "/wA=")


def test_a_line_as_it_stands(client: Any) -> None:
    told = client.get("/api/lines/S000/RPT-1").json()
    assert told["newest"]["swr"] == pytest.approx(1.2, abs=1e-6)
    assert told["sentences"]
    assert {"warning", "critical"} <= {name for one in told["limits"] for name in one["name"].split(", ")}
    assert client.get("/api/lines/S000/none").status_code == 404
