"""One sample of a device, Sparkplug among them: tried by a profile, and a draft made from it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings.profile import Profile, build_profile
from standingwatch.readings.profile.draft import DraftError
from standingwatch.readings.profile.trace_words import field_words
from standingwatch.readings.samples import draft_sample, trace_sample
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import DataType, Payload

PROFILE = Path(__file__).parents[2] / "fixtures" / "devices" / "sparkplug-node" / "profile.toml"
TOPIC = "spBv1.0/north/DBIRTH/larch-hill/tx-1"
NOW_US = 1_795_595_400_000_000


@pytest.fixture(scope="module")
def profile() -> Profile:
    found, problems = build_profile("node", tomllib.loads(PROFILE.read_text()))
    assert problems == []
    assert found is not None
    return found


def birth(**more: Any) -> Any:
    made = Payload(timestamp=1795595401000, seq=1)
    made.metrics.add(name="RF/Forward Power", alias=1, datatype=DataType.Float, float_value=50.0, **more)
    made.metrics.add(name="RF/VSWR", alias=2, datatype=DataType.Double, double_value=1.5)
    made.metrics.add(name="RF/PTT", datatype=DataType.Boolean, boolean_value=True)
    # -5 in the unsigned field that the schema has for it.
    made.metrics.add(name="PA/Temperature", datatype=DataType.Int8, int_value=251)
    made.metrics.add(name="Log", datatype=DataType.DataSet)
    return made


def test_a_birth_is_read_as_the_host_would(profile: Profile) -> None:
    payload = birth(timestamp=1795595400500).SerializeToString()
    [report] = trace_sample(profile, TOPIC, payload, NOW_US, time_if_absent="refuse")
    assert report.refusal is None
    assert report.reading is not None
    assert (report.site, report.transmitter) == ("larch-hill", "tx-1")
    assert report.reading.forward_w == pytest.approx(100.0)
    assert report.reading.reflected_w == pytest.approx(4.0)
    assert (report.reading.keyed, report.reading.pa_temperature_c) == (True, -5.0)
    assert report.reading.time_us == 1_795_595_400_500_000
    rows = {row.name: field_words(row).where for row in report.fields}
    assert rows["time"] == "timestamps of the metrics"


def test_the_payload_s_own_time_is_taken_where_metrics_say_none(profile: Profile) -> None:
    [report] = trace_sample(profile, TOPIC, birth().SerializeToString(), NOW_US, time_if_absent="refuse")
    assert report.reading is not None
    assert report.reading.time_us == 1_795_595_401_000_000
    assert {row.name: row.where for row in report.fields}["time"] == "timestamp of the payload"


def test_what_one_message_cannot_tell(profile: Profile) -> None:
    unnamed = Payload(timestamp=1, seq=2)
    unnamed.metrics.add(alias=1, datatype=DataType.Float, float_value=50.0)
    for topic, payload, reason in (
        (TOPIC, unnamed.SerializeToString(), "unknown-alias"),
        (TOPIC, b"\xff\xff", "bad-sparkplug"),
        (TOPIC, b"", "no-power"),
        ("spBv1.0/STATE/host", b"{}", "unknown-topic"),
        ("spBv1.0/north/NBIRTH/larch-hill", birth().SerializeToString(), "unknown-topic"),
        ("x/y", b"{}", "unknown-topic"),
    ):
        [report] = trace_sample(profile, topic, payload, NOW_US, time_if_absent="refuse")
        assert report.refusal is not None
        assert report.refusal.reason == reason


def test_a_draft_from_a_birth() -> None:
    draft = draft_sample(TOPIC, birth().SerializeToString())
    data = tomllib.loads(draft.text)
    assert data["format"] == "sparkplug"
    assert data["fields"]["forward"] == {"metric": "RF/Forward Power", "unit": "W"}
    assert data["fields"]["reflected"] == {"metric": "RF/VSWR", "unit": "SWR"}
    assert data["fields"]["pa_temperature"] == {"metric": "PA/Temperature", "unit": "degC"}
    found, problems = build_profile("draft", data)
    assert problems == []
    assert found is not None
    with pytest.raises(DraftError, match="no Sparkplug payload"):
        draft_sample(TOPIC, b"\xff\xff")
    with pytest.raises(DraftError, match="give a birth"):
        draft_sample(TOPIC, b"")


def test_other_formats_go_their_own_way(profile: Profile) -> None:
    own, _ = build_profile(
        "own",
        {
            "topic": "x/{site}/{transmitter}",
            "format": "csv",
            "csv": {"header": False},
            "fields": {"forward": {"column": 1, "unit": "W"}, "reflected": {"column": 2, "unit": "W"}},
        },
    )
    assert own is not None
    [report] = trace_sample(own, "x/a/b", b"50,2", NOW_US, time_if_absent="receipt")
    assert report.reading is not None
    assert report.reading[:3] == (NOW_US, 50.0, 2.0)
    assert draft_sample("x/a/b", b'{"fwd": 1, "swr": 2}').format == "json"
    # Whoever says the format means it, whatever the topic looks like.
    assert draft_sample(TOPIC, b'{"fwd": 1, "swr": 2}', format="json").format == "json"


@given(st.binary(max_size=200))
def test_any_bytes_on_a_sparkplug_topic(payload: bytes) -> None:
    found, _ = build_profile("node", tomllib.loads(PROFILE.read_text()))
    assert found is not None
    [report] = trace_sample(found, TOPIC, payload, NOW_US, time_if_absent="refuse")
    assert (report.reading is None) == (report.refusal is not None)
