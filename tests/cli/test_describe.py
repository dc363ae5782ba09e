"""`standingwatch describe`: what it prints is what the settings make of the interface."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from standingwatch.cli.main import main


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert main(["describe", *words]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "watch.toml"
    path.write_text(
        '[broker]\nhost = "broker.example.org"\nport = 8883\ntls = true\ntopic_root = "north/rf"\n'
        '[intake]\ntime_if_absent = "receipt"\n'
    )
    return path


def test_asyncapi_follows_the_settings(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "asyncapi", "--settings", str(settings))
    assert document["channels"]["report"]["address"] == "north/rf/report/{site}/{transmitter}"
    assert document["servers"]["broker"]["host"] == "broker.example.org:8883"
    assert document["servers"]["broker"]["protocol"] == "secure-mqtt"
    assert "required" not in document["components"]["schemas"]["Report"]


def test_asyncapi_of_all_defaults(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    document = printed(capsys, "asyncapi")
    assert document["channels"]["heartbeat"]["address"] == "standingwatch/heartbeat"
    assert document["servers"]["broker"]["host"] == "127.0.0.1:1883"


def test_schemas_judge(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    without_time = {"forward_w": 98.2, "swr": 1.2}
    lenient = Draft7Validator(printed(capsys, "report-schema", "--settings", str(settings)))
    settings.write_text("")
    strict = Draft7Validator(printed(capsys, "report-schema", "--settings", str(settings)))
    assert lenient.is_valid(without_time)
    assert not strict.is_valid(without_time)
    assert not lenient.is_valid({"forward_w": 98.2})
    events = Draft7Validator(printed(capsys, "event-schema", "--settings", str(settings)))
    assert not events.is_valid({"type": "standingwatch.alarm.raised"})


def test_another_word_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["describe", "everything"])
    assert ended.value.code == 2
    assert "report-schema" in capsys.readouterr().err
