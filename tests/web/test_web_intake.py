"""The intake page: what it says, putting reports in again, taking unknown transmitters into the site list."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import update

from standingwatch.intake.again import put_in_again
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, InventoryRow
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.store import tables
from standingwatch.store.intake_pages import refused_reasons, unlisted_topics
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.store.sites import ListedError, add_to_site_list, load_site_list, replace_site_list

MINUTE_US = 60_000_000
TOPIC = "standingwatch/report/S001/NEW"


def report(time_us: int, more: str = "") -> bytes:
    return f'{{"time": {time_us / 1e6:.0f}, "forward_w": 40, "reflected_w": 1{more}}}'.encode()


@pytest.fixture
def waiting(fill_each: Any) -> Any:
    """Two sites; reports of a transmitter that is not listed, of one without a frequency, and a bad one."""
    fill = fill_each
    fill.sites(2, 1)
    fill.readings(np.array([0]), np.array([60.0]), np.array([1.2]))
    fill.horizon(1.0)
    frequency = ', "frequency_mhz": 153.25'
    reports = [
        RefusedReport(at, TOPIC, report(at, frequency), "unknown-transmitter", "is not listed")
        for at in (fill.now_us - n * MINUTE_US for n in range(10, 0, -1))
    ]
    other = "standingwatch/report/X/A+B".replace("+", "")
    reports.append(
        RefusedReport(fill.now_us, other, report(fill.now_us), "unknown-transmitter", "is not listed")
    )
    reports.append(RefusedReport(fill.now_us, "standingwatch/link/X", b"{}", "unknown-site", "is not listed"))
    reports.append(RefusedReport(fill.now_us, TOPIC, b"<b>", "not-json", "wanted JSON"))
    with fill.store.writing() as connection:
        refuse(connection, reports)
    return fill


def retry_of(fill: Any) -> Callable[..., tuple[int, int]]:
    """As the daemon makes it."""

    def retry(reason: str, topic: str = "") -> tuple[int, int]:
        metrics = Metrics(CollectorRegistry())
        writer = Writer(
            fill.store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, lambda: fill.now_us
        )
        return put_in_again(fill.store, writer, reason=reason, topic=topic, batch_rows=3)

    return retry


def test_what_the_page_and_the_data_say(waiting: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(waiting)
    page = client.get("/intake").text
    assert "keeps up" in page
    assert "unknown-transmitter: 11 reports" in page
    assert "&lt;b&gt;" in page
    assert 'href="/site/S001"' in page
    found = client.get("/api/intake").json()
    assert found["state"] == "fresh"
    assert [one["readings"] for one in found["rates"]] == [1, 1, 1]
    assert {one["reason"]: one["count"] for one in found["refused"]} == {
        "unknown-transmitter": 11,
        "unknown-site": 1,
        "not-json": 1,
    }
    first = found["not_on_site_list"][0]
    assert (first["site"], first["transmitter"], first["reports"]) == ("S001", "NEW", 10)
    # From its reports, from their times, and from the others of its site.
    assert first["suggested_row"]["frequency_mhz"] == "153.25"
    assert first["suggested_row"]["expected_interval_s"] == "60"
    assert first["suggested_row"]["region"] == "Coast"
    assert client.get("/refused").headers["location"] == "/intake"


def test_accepted_with_a_click_and_its_reports_stored(waiting: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(waiting, retry=retry_of(waiting))
    told = client.told(client.submit("/intake/accept", topic=TOPIC))
    assert "S001/NEW is on the site list" in told
    assert "10 readings of it, kept until now, stored" in told
    with waiting.store.reading() as connection:
        rows = load_site_list(connection).rows
        left = [one.topic for one in unlisted_topics(connection, 10)]
    assert [(row.site, row.transmitter) for row in rows] == [
        ("S000", "RPT-1"),
        ("S001", "RPT-1"),
        ("S001", "NEW"),
    ]
    assert (rows[2].frequency_mhz, rows[2].region) == (153.25, "Coast")
    assert left == ["standingwatch/link/X", "standingwatch/report/X/AB"]
    site = next(one for one in client.get("/api/board").json()["sites"] if one["site"] == "S001")
    # rho = sqrt(1 / 40).
    rho = (1 / 40) ** 0.5
    assert site["transmitters"][1]["swr"] == pytest.approx((1 + rho) / (1 - rho))
    assert client.submit("/intake/accept", topic=TOPIC).status_code == 404


def test_the_form_says_what_is_wrong_and_keeps_what_was_entered(
    waiting: Any, client_of: Callable[..., Any]
) -> None:
    client, topic = client_of(waiting), "standingwatch/report/X/AB"
    assert 'name="frequency_mhz" value=""' in client.get(f"/intake/accept?topic={topic}").text
    bad = client.submit("/intake/accept", topic=topic, frequency_mhz="4,5", region="Isles <x>")
    assert bad.status_code == 422
    assert "a decimal comma? write 4.5" in bad.text
    assert 'value="Isles &lt;x&gt;"' in bad.text
    # Names are those of the topic, whatever a form says.
    told = client.told(client.submit("/intake/accept", topic=topic, frequency_mhz="4.5", site="EVIL"))
    assert "X/AB is on the site list" in told
    assert "standingwatch refused retry" in told
    assert client.get("/intake/accept?topic=nothing").status_code == 404


def test_put_in_again_by_reason(waiting: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(waiting, retry=retry_of(waiting))
    with waiting.store.writing() as connection:
        add_to_site_list(connection, InventoryRow("S001", "NEW", 153.25))
    told = client.told(client.submit("/intake/retry", reason="unknown-transmitter"))
    assert "Put in again: 10 readings stored" in told
    assert "1 report refused once more" in told
    with waiting.store.reading() as connection:
        counts = {one.reason: one.count for one in refused_reasons(connection)}
    assert counts == {"unknown-transmitter": 1, "unknown-site": 1, "not-json": 1}
    assert client.submit("/intake/retry", reason="").status_code == 400
    assert client_of(waiting).submit("/intake/retry", reason="not-json").status_code == 404


@pytest.mark.parametrize("role", ["viewer", "operator"])
def test_only_an_engineer_may_change_anything(waiting: Any, client_of: Callable[..., Any], role: str) -> None:
    client = client_of(waiting, retry=retry_of(waiting), signed_in=False).sign_in("Vi", role)
    page = client.get("/intake").text
    assert "Put in again" not in page
    assert "an engineer may" in page
    for path in ("/intake/accept", "/intake/retry"):
        answer = client.post(
            path, data={"token": client.token("/intake"), "topic": TOPIC, "reason": "not-json"}
        )
        assert answer.status_code == 403


def test_a_payload_is_tried_and_not_kept(waiting: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(waiting)
    payload = '[{"time": "2026-03-14T09:00:00Z", "forward_w": 50, "swr": 1.5}, {"forward_w": 50}]'
    page = client.submit("/intake/try", payload=payload).text
    assert "1 reading" in page
    assert "reflected_w 2.0" in page
    assert "1 refusal" in page
    with waiting.store.reading() as connection:
        assert sum(one.count for one in refused_reasons(connection)) == 13
    assert client.submit("/intake/try", payload=" ").status_code == 422


def test_adding_keeps_the_others_and_brings_back_the_removed(fill_each: Any) -> None:
    one, two = InventoryRow("A", "1", 150.0), InventoryRow("B", "1", 151.0)
    with fill_each.store.writing() as connection:
        replace_site_list(connection, [one, two], 1)
        before = load_site_list(connection)
        replace_site_list(connection, [two], 2)
        with pytest.raises(ListedError, match="B/1 is on the site list already"):
            add_to_site_list(connection, two)
        add_to_site_list(connection, InventoryRow("A", "1", 155.0))
        after = load_site_list(connection)
    assert [(row.site, row.frequency_mhz) for row in after.rows] == [("B", 151.0), ("A", 155.0)]
    assert after.keys.tolist() == before.keys.tolist()[::-1]
    assert after.version == before.version + 2


def test_a_unit_that_was_set_wrong_is_asked_about(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill = fill_each
    fill.sites(2, 2)
    fill.readings(np.array([0, 1, 2]), np.array([60.0, 60.0, 60.0]), np.array([1.2, 1.3, 1.2]))
    client = client_of(fill)
    page = client.get("/intake").text
    assert "Units in doubt: 0" in page
    assert "No forward power is far from the rated power" in page
    with fill.store.writing() as connection:
        # The second one's device sends mW, the third one's both powers in dBm.
        for key, forward_w, reflected_w in ((2, 98_200.0, 1130.0), (3, 49.9, 29.0)):
            connection.execute(
                update(tables.readings)
                .where(tables.readings.c.transmitter == key)
                .values(forward_w=forward_w, reflected_w=reflected_w)
            )
    client = client_of(fill)
    told = client.get("/api/intake").json()
    assert told["transmitters_with_units_in_doubt"] == 2
    assert [(one["site"], one["transmitter"]) for one in told["units_in_doubt"]] == [
        ("S000", "RPT-2"),
        ("S001", "RPT-1"),
    ]
    assert "is it in mW?" in told["units_in_doubt"][0]["question"]
    page = client.get("/intake").text
    section = page[page.index('id="units"') : page.index('id="clocks"')]
    assert "Units in doubt: 2" in section
    assert "S000/RPT-2</a>" in section
    assert "forward power 98,200 W, where 100 W are rated: is it in mW?" in section
    assert "forward power 49.9 W, where 100 W are rated: is it in dBm?" in section
