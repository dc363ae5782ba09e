"""The page of the intake: a payload profile tried on a sample, and a draft made from one."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from standingwatch.readings.profile import build_profile
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import DataType, Payload
from standingwatch.store.audit import load_audit
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.profile_models import LONGEST_SAMPLE

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
TOPIC = "scada/S000/rtu/RPT-1/telemetry"
SAMPLE = (DEVICES / "rtu-nested" / "sample.json").read_text()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Profiles of some devices, under the names of the devices."""
    made = tmp_path / "profiles"
    made.mkdir()
    for name in ("rtu-nested", "csv-comma", "sparkplug-node", "number-topics"):
        (made / f"{name}.toml").write_text((DEVICES / name / "profile.toml").read_text())
    return made


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any], folder: Path) -> Any:
    fill.sites(2, 1)
    fill.readings(np.array([0]), np.array([60.0]), np.array([1.2]))
    return client_of(fill, profiles=folder)


def test_the_page_offers_the_profiles_there_are(client: Any, fill: Any, client_of: Any, folder: Path) -> None:
    page = client.get("/intake").text
    assert "Try a profile on a sample" in page
    for name in ("rtu-nested", "csv-comma", "sparkplug-node", "number-topics"):
        assert f'<option value="{name}"' in page
    # Without a folder there is nothing to try, and no form for it.
    assert "Try a profile on a sample" not in client_of(fill).get("/intake").text
    assert client_of(fill).submit("/intake/profile", topic="a", payload="b").status_code == 404
    for file in folder.iterdir():
        file.unlink()
    page = client.get("/intake").text
    assert "There is no payload profile yet" in page
    assert 'value="try"' not in page
    assert 'value="draft"' in page


def test_a_sample_is_told_field_by_field(client: Any) -> None:
    answer = client.submit("/intake/profile", profile="rtu-nested", topic=TOPIC, payload=SAMPLE, act="try")
    assert answer.status_code == 200
    page = answer.text
    assert "<b>1 report</b>." in page
    assert "Report 1: S000/RPT-1" in page
    assert "pointer &#39;/rf/fwd/dbm&#39;" in page
    assert "95.9401 W" in page
    assert "Forward 95.94 W, reflected 0.912 W, SWR 1.216." in page
    assert "is not on the site list" not in page
    # What was entered stays.
    assert '<option value="rtu-nested" selected>' in page
    assert f'value="{TOPIC}"' in page
    assert "{&#34;v&#34;: 3," in page


def test_what_is_wrong_is_said_where_it_is(client: Any) -> None:
    bad = '{"ts": "soon", "rf": {"fwd": {"dbm": "<b>"}, "rev": {"dbm": 120}}}'
    page = client.submit(
        "/intake/profile", profile="rtu-nested", topic="scada/X/rtu/Y/telemetry", payload=bad, act="try"
    ).text
    assert "1 refused" in page
    assert page.count("<b>wrong:</b>") == 3
    assert "reflected is 120 dBm, which is 10 MW or more" in page
    assert "Refused, bad-time: time is" in page
    assert "X/Y is not on the site list" in page
    assert "forward is &#39;&lt;b&gt;&#39;" in page
    assert "<b>&#39;" not in page


def test_many_reports_are_counted_and_the_first_shown(client: Any) -> None:
    head = (DEVICES / "csv-comma" / "sample.csv").read_text().splitlines()
    payload = "\n".join([head[0], *[head[1]] * 30, head[3]])
    page = client.submit(
        "/intake/profile", profile="csv-comma", topic="logger/S000/csv", payload=payload, act="try"
    ).text
    assert "<b>31 reports</b>, 1 refused. The first 20 are shown." in page
    assert page.count("<h3>Report ") == 20


def test_a_sparkplug_birth_comes_as_digits_or_base64(client: Any) -> None:
    import base64

    birth = Payload(timestamp=1795595400000, seq=0)
    birth.metrics.add(name="RF/Forward Power", datatype=DataType.Float, float_value=50.0)
    birth.metrics.add(name="RF/VSWR", datatype=DataType.Float, float_value=1.5)
    raw, topic = birth.SerializeToString(), "spBv1.0/north/DBIRTH/larch-hill/tx-1"
    for payload in (raw.hex(" "), base64.b64encode(raw).decode()):
        page = client.submit(
            "/intake/profile", profile="sparkplug-node", topic=topic, payload=payload, act="try"
        ).text
        assert "Forward 100 W, reflected 4 W, SWR 1.500." in page
        page = client.submit("/intake/profile", topic=topic, payload=payload, act="draft").text
        assert "metric = &#34;RF/Forward Power&#34;" in page
    bad = client.submit("/intake/profile", profile="sparkplug-node", topic=topic, payload="?", act="try")
    assert bad.status_code == 422
    assert "give it as hexadecimal digits or as base64" in bad.text


def test_a_draft_is_shown_whole_and_can_be_used(client: Any) -> None:
    import html

    payload = '{"fwd_w": 50, "swr": 1.5, "ts": "2026-11-25T08:30:00"}'
    answer = client.submit("/intake/profile", topic="net/S001/RPT-1/up", payload=payload, act="draft")
    assert answer.status_code == 200
    assert "Needed: [fields.time] `zone`" in answer.text
    text = html.unescape(answer.text.partition('aria-label="Drafted profile">')[2].partition("</pre>")[0])
    data = tomllib.loads(text)
    # The site list tells which level is what.
    assert data["topic"] == "net/{site}/{transmitter}/up"
    found, problems = build_profile("draft", data)
    assert problems == []
    assert found is not None


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"profile": "", "topic": TOPIC, "payload": SAMPLE, "act": "try"}, "Choose a profile"),
        ({"profile": "../x", "topic": TOPIC, "payload": SAMPLE, "act": "try"}, "Choose a profile"),
        ({"profile": "rtu-nested", "topic": "", "payload": SAMPLE, "act": "try"}, "Give the topic"),
        ({"profile": "rtu-nested", "topic": TOPIC, "payload": " \n", "act": "try"}, "Give a payload"),
        ({"profile": "rtu-nested", "topic": TOPIC, "payload": "x" * (LONGEST_SAMPLE + 1)}, "Give a payload"),
        ({"topic": TOPIC, "payload": "hello", "act": "draft"}, "holds no columns"),
    ],
)
def test_what_cannot_be_tried_is_said(client: Any, fields: dict[str, str], words: str) -> None:
    answer = client.submit("/intake/profile", **fields)
    assert answer.status_code == 422
    assert words in answer.text


def test_nothing_is_stored_but_that_it_was_tried(client: Any, fill: Any) -> None:
    from standingwatch.store.intake_pages import refused_reasons

    for act in ("try", "draft"):
        client.submit("/intake/profile", profile="rtu-nested", topic=TOPIC, payload="[1, 2]", act=act)
    with fill.store.reading() as connection:
        assert refused_reasons(connection) == []
        acts = [one.act for one in load_audit(connection, 10)]
    assert {"try a profile", "draft a profile"} <= set(acts)


def test_a_viewer_may_try_and_a_stranger_may_not(fill: Any, client_of: Any, folder: Path) -> None:
    viewer = client_of(fill, profiles=folder, signed_in=False).sign_in("Vi", "viewer")
    fields = {"profile": "rtu-nested", "topic": TOPIC, "payload": SAMPLE, "act": "try"}
    sent = {"token": viewer.token("/intake"), **fields}
    assert viewer.post("/intake/profile", data=sent).status_code == 200
    assert viewer.post("/intake/profile", data={**sent, "token": "no"}).status_code == 403
    stranger = client_of(fill, profiles=folder, signed_in=False)
    assert stranger.post("/intake/profile", data=fields).status_code in (303, 401, 403)


def test_files_are_read_as_they_are_now(client: Any, folder: Path) -> None:
    kept = ProfileFolder(folder)
    first = kept.now()
    assert [one.name for one in first.profiles] == [
        "csv-comma",
        "number-topics",
        "rtu-nested",
        "sparkplug-node",
    ]
    assert kept.now() is first
    file = folder / "rtu-nested.toml"
    file.write_text(file.read_text().replace('unit = "dBm"', 'unit = "dbm"'))
    os.utime(file, ns=(1, 1))
    assert kept.now().named("rtu-nested") is None
    page = client.get("/intake").text
    assert "did you mean dBm?" in page
    assert '<option value="rtu-nested"' not in page
    file.unlink()
    assert kept.now().problems == ()
    assert ProfileFolder(folder / "none").now() == ((), ())


def test_the_api_does_what_the_page_does(client: Any, folder: Path) -> None:
    (folder / "empty.toml").write_text("")
    found = client.get("/api/profiles").json()
    assert [one["name"] for one in found["profiles"]] == sorted(
        ["rtu-nested", "csv-comma", "sparkplug-node", "number-topics"]
    )
    assert found["profiles"][2]["topic"] == "scada/{site}/rtu/{transmitter}/telemetry"
    assert any("empty.toml" in text for text in found["problems"])
    asked = {"profile": "rtu-nested", "topic": TOPIC, "payload": f"[{SAMPLE}, 5]"}
    told = client.post("/api/profiles/try", json=asked).json()
    assert (told["count"], told["refused"]) == (2, 1)
    first, second = told["reports"]
    assert (first["site"], first["transmitter"], first["is_listed"]) == ("S000", "RPT-1", True)
    assert first["reading"]["forward_w"] == pytest.approx(95.94006315159348)
    assert first["reading"]["time"].startswith("2026-11-25T08:30:00.25")
    assert {row["name"]: row["value"] for row in first["fields"]}["forward"] == "95.9401 W"
    assert (second["reading"], second["reason"]) == (None, "not-an-object")
    drafted = client.post("/api/profiles/draft", json={"topic": TOPIC, "payload": SAMPLE}).json()
    assert tomllib.loads(drafted["text"])["fields"]["forward"]["pointer"] == "/rf/fwd/dbm"
    assert drafted["guesses"] == drafted["text"].count("# GUESS: ")
    for path, body, status in (
        ("try", {**asked, "profile": "none"}, 404),
        ("try", {**asked, "profile": "sparkplug-node", "payload": "?"}, 422),
        ("try", {**asked, "payload": ""}, 422),
        ("draft", {"topic": TOPIC, "payload": "hello"}, 422),
    ):
        answer = client.post(f"/api/profiles/{path}", json=body)
        assert answer.status_code == status, (path, body)
        assert answer.headers["content-type"].startswith("application/problem+json")
