"""The invented devices of `fixtures/devices`: each profile reads its samples as its `expected.toml` says.

What is expected was worked out by hand or with pint, as each file says, and not by the product.
"""

from __future__ import annotations

import json
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from standingwatch.readings import Reading
from standingwatch.readings.profile.build import build_profile
from standingwatch.readings.profile.join import join
from standingwatch.readings.profile.model import Profile
from standingwatch.readings.profile.read import Part, ProfileRead, read_message
from standingwatch.readings.profile.records import placed_from_record
from standingwatch.readings.profile.trace import TracedReport, trace_message, trace_record

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
NAMES = sorted(folder.name for folder in DEVICES.iterdir() if folder.is_dir())

#: When a sample came where its expectation does not say.
RECEIVED = datetime.fromisoformat("2026-11-25T09:00:00+00:00")

#: Formats and units that the devices have to cover between them.
FORMATS = {"json", "csv", "number", "sparkplug"}
UNITS = {"W", "mW", "kW", "dBm", "dBW", "V", "mV", "SWR", "dB", "rho", "%", "degC", "degF", "degK"}


def profile_of(name: str) -> Profile:
    data = tomllib.loads((DEVICES / name / "profile.toml").read_text())
    profile, problems = build_profile(name, data)
    assert problems == []
    assert profile is not None
    return profile


def expected_of(name: str) -> dict[str, Any]:
    return tomllib.loads((DEVICES / name / "expected.toml").read_text())


def us(moment: datetime) -> int:
    return round(moment.timestamp() * 1000) * 1000


def reading_of(said: dict[str, Any]) -> tuple[str, str, Reading]:
    values = {name: value for name, value in said.items() if name not in ("site", "transmitter", "time")}
    return said["site"], said["transmitter"], Reading(time_us=us(said["time"]), **values)


def same(found: list[tuple[str, str, Reading]], wanted: list[dict[str, Any]]) -> None:
    assert len(found) == len(wanted)
    for (site, transmitter, reading), said in zip(found, wanted, strict=True):
        their_site, their_transmitter, theirs = reading_of(said)
        assert (site, transmitter) == (their_site, their_transmitter)
        for member, value, wants in zip(Reading._fields, reading, theirs, strict=True):
            if isinstance(wants, float):
                assert value == pytest.approx(wants, rel=1e-9), member
            else:
                assert value == wants, member
                assert type(value) is type(wants), member


def told(read: ProfileRead) -> list[tuple[str, str, Reading]]:
    return [(placed.site, placed.transmitter, placed.reading) for placed in read.placed]


def agree(read: ProfileRead, traced: list[TracedReport]) -> None:
    """What is told field by field comes to the same as what the intake would store."""
    assert told(read) == [
        (one.site, one.transmitter, one.reading) for one in traced if one.reading is not None
    ]
    assert [one.reason for one in read.refusals] == [one.refusal.reason for one in traced if one.refusal]
    assert len(read.parts) == sum(one.waits for one in traced)


@pytest.mark.parametrize("name", NAMES)
def test_each_device_is_read_right(name: str) -> None:
    profile, expected = profile_of(name), expected_of(name)
    if_absent = expected.get("time_if_absent", "refuse")
    used = {"profile.toml", "expected.toml"}
    parts: list[Part] = []
    for message in expected.get("message", []):
        payload = (DEVICES / name / message["file"]).read_bytes()
        used.add(message["file"])
        received_us = us(message.get("received", RECEIVED))
        read = read_message(profile, message["topic"], payload, received_us, time_if_absent=if_absent)
        same(told(read), message.get("reading", []))
        assert [refusal.reason for refusal in read.refusals] == message.get("refusals", [])
        parts += read.parts
        agree(read, trace_message(profile, message["topic"], payload, received_us, time_if_absent=if_absent))
    # Long after the last of them: what has not found its partners by then never will.
    after_us = max((part.received_us for part in parts), default=0) + 600_000_000
    joined = join([], parts, after_us)
    same(
        [(one.parts[0].site, one.parts[0].transmitter, one.reading) for one in joined.readings],
        expected.get("joined", []),
    )
    assert [left.reason for left in joined.refused] == ["incomplete"] * expected.get("incomplete", 0)
    for record in expected.get("record", []):
        values = json.loads((DEVICES / name / record["file"]).read_text())
        used.add(record["file"])
        received_us = us(record["received"])
        read = placed_from_record(profile, record["parts"], values, received_us)
        same(told(read), record.get("reading", []))
        agree(read, [trace_record(profile, record["parts"], values, received_us)])
    assert used == {file.name for file in (DEVICES / name).iterdir()}


def test_there_are_many_and_they_differ() -> None:
    assert len(NAMES) >= 12
    profiles = [profile_of(name) for name in NAMES]
    assert {profile.format for profile in profiles} == FORMATS
    fields = [field for profile in profiles for field in profile.rules.fields.values()]
    assert {field.unit for field in fields} >= UNITS
    assert {field.source.kind for field in fields} == {
        "pointer",
        "jmespath",
        "column",
        "part",
        "metric",
        "payload",
    }
    assert {field.form for field in fields} >= {"rfc3339", "unix_s", "unix_ms", "unix_us"}
    # Each tells something that no other one does.
    assert len({profile.topic.text for profile in profiles}) == len(profiles)
    assert all(profile.title for profile in profiles)
