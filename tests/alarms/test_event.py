"""Alarm events: CloudEvents 1.0 in JSON, with the members that the wire promises, and the text for people."""

from __future__ import annotations

import json
import math
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.event import PROBABLE_CAUSE, cloudevent, present_alarm, rfc3339
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, ChangeKind, Evidence, apply
from standingwatch.alarms.text import sentence
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity

SOURCE = "urn:standingwatch:test"
TIME_US = 1_795_000_000_250_000  # 2026-11-18T11:06:40.25Z
NOTED_US = TIME_US + 3_000_000

#: Probable causes of ITU-T X.733 (annex A, as numbered for use with RFC 3877 and RFC 8632) that are used.
X733_NAMES = {
    "thresholdCrossed",
    "performanceDegraded",
    "degradedSignal",
    "transmitterFailure",
    "inputDeviceError",
    "lossOfSignal",
    "communicationsSubsystemFailure",
    "responseTimeExcessive",
    "storageCapacityProblem",
    "softwareProgramAbnormallyTerminated",
    "timingProblem",
    "communicationsProtocolError",
}

#: `severity-with-clear` of RFC 8632 (ietf-alarms); `indeterminate` is not used.
RFC8632_NUMBERS = {"cleared": 1, "warning": 3, "minor": 4, "major": 5, "critical": 6}

#: The members of `data` that others rely on.
DATA_MEMBERS = {
    *("site", "transmitter", "condition", "severity", "previous_severity", "time_raised", "time_changed"),
    *("probable_cause", "likely_causes", "evidence", "forecast", "text", "region", "members", "service"),
}

VALUES: dict[str, Any] = {
    "swr": 4.25,
    "swr_at_antenna": math.inf,
    "limit_swr": 3.0,
    "forward_w": 48.0,
    "reflected_w": 18.4,
    "baseline_kind": "full",
    "drift": math.nan,
    "last_report_us": TIME_US,
}


def raised(
    condition: Condition = Condition.SWR_HIGH,
    severity: Severity = Severity.MAJOR,
    transmitter: str = "rpt-1",
    time_us: int = TIME_US,
    before: Alarm | None = None,
) -> Change:
    causes = (LikelyCause(Cause.CONNECTOR, 0.7, "it came at once"),)
    key = AlarmKey("alder-ridge", transmitter, condition)
    change = apply(before, Evidence(key, severity, time_us, VALUES, causes), NOTED_US)
    assert change is not None
    return change


def three_changes() -> tuple[Change, Change, Change]:
    """An alarm raised, changed and cleared."""
    first = raised()
    second = raised(severity=Severity.CRITICAL, time_us=TIME_US + 60_000_000, before=first.alarm)
    third = raised(severity=Severity.CLEARED, time_us=TIME_US + 120_000_000, before=second.alarm)
    return first, second, third


def strict(text: str) -> Any:
    """JSON as RFC 8259 has it: NaN and Infinity are not in it."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    return json.loads(text, parse_constant=refuse)


# The envelope -------------------------------------------------------------------------------------------


def test_required_attributes_of_cloudevents() -> None:
    # CloudEvents 1.0.2, "Required Attributes": id, source, specversion, type, each a non-empty string.
    for change in three_changes():
        event = cloudevent(change, SOURCE)
        for name in ("id", "source", "specversion", "type"):
            assert isinstance(event[name], str)
            assert event[name]
        assert event["specversion"] == "1.0"
        assert event["source"] == SOURCE
        # "CloudEvents attribute names MUST consist of lower-case letters or digits"
        assert all(name.isalnum() and name.islower() for name in event)
        # `time` MUST adhere to RFC 3339.
        assert datetime.fromisoformat(event["time"]).utcoffset() is not None
        assert event["datacontenttype"] == "application/json"


def test_type_ends_with_what_happened() -> None:
    ends = [cloudevent(c, SOURCE)["type"] for c in three_changes()]
    assert [e[e.index(".alarm.") :] for e in ends] == [".alarm.raised", ".alarm.changed", ".alarm.cleared"]


def test_time_is_when_it_was_noted_and_data_says_when_it_was_true() -> None:
    event = cloudevent(three_changes()[1], SOURCE)
    assert event["time"] == "2026-11-18T11:06:43.250000Z"
    assert event["data"]["time_raised"] == "2026-11-18T11:06:40.250000Z"
    assert event["data"]["time_changed"] == "2026-11-18T11:07:40.250000Z"


def test_the_same_change_has_the_same_id() -> None:
    again = cloudevent(raised(), SOURCE)
    assert cloudevent(raised(), SOURCE)["id"] == again["id"]


def test_every_other_change_has_another_id() -> None:
    changes = [
        *three_changes(),
        raised(condition=Condition.SWR_RISING),
        raised(transmitter="rpt-2"),
        raised(transmitter=""),
        raised(time_us=TIME_US + 1),
    ]
    ids = [cloudevent(c, SOURCE)["id"] for c in changes] + [cloudevent(raised(), "urn:other")["id"]]
    assert len(set(ids)) == len(ids)


def test_subject_is_the_resource() -> None:
    assert cloudevent(raised(), SOURCE)["subject"] == "alder-ridge/rpt-1"
    assert cloudevent(raised(transmitter=""), SOURCE)["subject"] == "alder-ridge"


@pytest.mark.parametrize(
    ("transmitter", "wanted"),
    [("rpt-1", "5926d203-0ab3-57d6-a546-94eac6ccfe74"), ("", "94ec94b4-7b3b-5976-a0fd-765cf21f21c6")],
)
def test_ids_stay_what_they_were_before_there_were_regions(transmitter: str, wanted: str) -> None:
    # As version 0.1.0 gave them: who keeps ids to tell repeats by must not see one change twice.
    assert cloudevent(raised(transmitter=transmitter), SOURCE)["id"] == wanted


# Regions and groups -------------------------------------------------------------------------------------

MEMBERS = ("alder-ridge/rpt-1", "birch-hill/b 1")
FORECAST = (
    LimitForecast("swr-1.5", 1.5, "reached"),
    LimitForecast("foldback", 2.5, "expected", TIME_US, TIME_US + 1_000_000, None),
    LimitForecast("tolerance", math.inf, "the trend is too weak"),
)


def of_region(region: str = "Coast / north", number: int = 0) -> Change:
    key = AlarmKey("", "", Condition.SWR_WEATHER, region)
    evidence = Evidence(key, Severity.WARNING, TIME_US + number, {}, (), MEMBERS, FORECAST)
    change = apply(None, evidence, NOTED_US)
    assert change is not None
    return change


def test_an_event_about_a_region() -> None:
    event = strict(json.dumps(cloudevent(of_region(), SOURCE), allow_nan=False))
    assert event["subject"] == "region/Coast / north"
    data = event["data"]
    assert (data["site"], data["transmitter"], data["region"]) == (None, None, "Coast / north")
    assert data["members"] == list(MEMBERS)
    shown = present_alarm(of_region().alarm)
    for name in ("site", "transmitter", "region", "members", "forecast"):
        assert shown[name] == data[name]


def test_no_two_regions_share_an_id() -> None:
    key = AlarmKey("", "", Condition.SWR_WEATHER)
    nameless = apply(None, Evidence(key, Severity.WARNING, TIME_US), NOTED_US)
    assert nameless is not None
    changes = [of_region(), of_region("South"), of_region(number=1), nameless]
    ids = {cloudevent(change, SOURCE)["id"] for change in changes}
    assert len(ids) == 4
    assert cloudevent(of_region(), SOURCE)["id"] in ids


def test_one_transmitter_has_no_region_no_members_and_no_forecast() -> None:
    for data in (cloudevent(raised(), SOURCE)["data"], present_alarm(raised().alarm)):
        assert (data["region"], data["members"], data["forecast"]) == (None, [], [])


def test_forecast_dates_are_rfc_3339_or_null() -> None:
    assert cloudevent(of_region(), SOURCE)["data"]["forecast"] == [
        {
            "limit": "swr-1.5",
            "swr": 1.5,
            "says": "reached",
            **dict.fromkeys(("earliest", "expected", "latest")),
        },
        {
            "limit": "foldback",
            "swr": 2.5,
            "says": "expected",
            "earliest": "2026-11-18T11:06:40.250000Z",
            "expected": "2026-11-18T11:06:41.250000Z",
            "latest": None,
        },
        {
            "limit": "tolerance",
            "swr": "infinite",
            "says": "the trend is too weak",
            **dict.fromkeys(("earliest", "expected", "latest")),
        },
    ]


# Parts of the service -----------------------------------------------------------------------------------


def of_service(part: str = "channel email.desk") -> Change:
    key = AlarmKey("", "", Condition.CHANNEL_FAILING, "", part)
    change = apply(None, Evidence(key, Severity.MINOR, TIME_US, {"waiting_s": 700.0, "waiting": 2}), NOTED_US)
    assert change is not None
    return change


def test_an_event_about_a_part_of_the_service() -> None:
    event = strict(json.dumps(cloudevent(of_service(), SOURCE), allow_nan=False))
    assert event["subject"] == "service/channel email.desk"
    data = event["data"]
    assert (data["site"], data["transmitter"], data["region"]) == (None, None, None)
    assert data["service"] == "channel email.desk"
    assert data["probable_cause"] == "communicationsProtocolError"
    assert data["text"].startswith("Standing Watch itself, channel email.desk: alarms do not get out, minor")
    assert present_alarm(of_service().alarm)["service"] == "channel email.desk"


def test_no_two_parts_share_an_id() -> None:
    region = AlarmKey("", "", Condition.CHANNEL_FAILING, "mqtt")
    of_region = apply(None, Evidence(region, Severity.MINOR, TIME_US), NOTED_US)
    assert of_region is not None
    changes = [of_service(), of_service("mqtt"), of_region]
    assert len({cloudevent(change, SOURCE)["id"] for change in changes}) == 3


# The data -----------------------------------------------------------------------------------------------


def test_data_has_every_promised_member() -> None:
    first, second, third = (cloudevent(c, SOURCE)["data"] for c in three_changes())
    for data in (first, second, third):
        assert set(data) >= DATA_MEMBERS
        assert (data["site"], data["transmitter"], data["condition"]) == ("alder-ridge", "rpt-1", "swr-high")
        assert data["likely_causes"] == [
            {"cause": "connector", "confidence": 0.7, "because": "it came at once"}
        ]
    assert (first["previous_severity"], first["severity"]) == ("cleared", "major")
    assert (second["previous_severity"], second["severity"]) == ("major", "critical")
    assert (third["previous_severity"], third["severity"]) == ("critical", "cleared")


def test_a_whole_site_has_no_transmitter() -> None:
    assert cloudevent(raised(transmitter=""), SOURCE)["data"]["transmitter"] is None


def test_infinite_swr_is_a_word_and_unknown_is_null() -> None:
    event = strict(json.dumps(cloudevent(raised(), SOURCE)))
    assert event["data"]["evidence"]["swr_at_antenna"] == "infinite"
    assert event["data"]["evidence"]["drift"] is None
    assert event["data"]["evidence"]["swr"] == 4.25
    assert event["data"]["evidence"]["last_report_us"] == TIME_US


@given(
    st.sampled_from(Condition),
    st.dictionaries(
        st.sampled_from([*VALUES, "return_loss_db", "baseline_return_loss_db", "why"]),
        st.none() | st.booleans() | st.integers(0, 2**52) | st.floats(),
    ),
)
def test_any_values_give_strict_json(condition: Condition, values: dict[str, Any]) -> None:
    values.pop("last_report_us", None)
    key = AlarmKey("alder-ridge", "rpt-1", condition)
    change = apply(None, Evidence(key, Severity.MINOR, TIME_US, values), NOTED_US)
    assert change is not None
    assert set(strict(json.dumps(cloudevent(change, SOURCE)))["data"]["evidence"]) == set(values)
    assert set(strict(json.dumps(present_alarm(change.alarm)))["evidence"]) == set(values)


def test_probable_causes_are_names_of_x733() -> None:
    assert set(PROBABLE_CAUSE) == set(Condition)
    assert set(PROBABLE_CAUSE.values()) == X733_NAMES


def test_severities_are_those_of_rfc_8632() -> None:
    assert {s.word: int(s) for s in Severity} == RFC8632_NUMBERS
    assert [Severity.from_word(word) for word in RFC8632_NUMBERS] == list(Severity)
    with pytest.raises(ValueError, match="wanted one of cleared, warning"):
        Severity.from_word("fatal")


def test_present_alarm_is_what_stands() -> None:
    _, second, _ = three_changes()
    shown = present_alarm(second.alarm)
    assert shown["severity"] == "critical"
    assert (shown["site"], shown["transmitter"], shown["condition"]) == ("alder-ridge", "rpt-1", "swr-high")
    assert shown["time_raised"] == rfc3339(TIME_US)
    assert shown["time_changed"] == rfc3339(TIME_US + 60_000_000)


@given(st.integers(0, 4_000_000_000_000_000))
def test_times_keep_their_microseconds(time_us: int) -> None:
    text = rfc3339(time_us)
    moment = datetime.fromisoformat(text)
    assert text.endswith("Z")
    assert round(moment.replace(microsecond=0).timestamp()) * 1_000_000 + moment.microsecond == time_us


# The text -----------------------------------------------------------------------------------------------


def test_text_says_what_where_since_when_how_bad_and_what_to_do() -> None:
    text = sentence(raised())
    assert text.startswith("alder-ridge/rpt-1: SWR over its limit, major, since 2026-11-18 11:06:40 UTC.")
    assert "SWR 4.25:1 at the transmitter, infinite:1 at the antenna (limit 3.00:1)" in text
    assert "48.0 W forward, 18.40 W reflected" in text
    assert "Likely cause: connector (70%), it came at once." in text
    assert "Reduce its power" in text


def test_text_of_a_change_says_which_way() -> None:
    first, second, _ = three_changes()
    assert "critical (worse: was major), since 2026-11-18 11:06:40 UTC" in sentence(second)
    better = raised(severity=Severity.MINOR, before=first.alarm)
    assert "minor (better: was major)" in sentence(better)
    assert "Reduce its power" not in sentence(better)


def test_text_of_an_end_says_when_and_advises_nothing() -> None:
    text = sentence(three_changes()[2])
    assert text.startswith("alder-ridge/rpt-1: SWR over its limit: ended 2026-11-18 11:08:40 UTC.")
    assert "Reduce" not in text


def test_text_about_a_whole_site() -> None:
    text = sentence(raised(condition=Condition.SITE_UNREACHABLE, transmitter=""))
    assert text.startswith("site alder-ridge: site unreachable, major, since")
    assert "Last report 2026-11-18 11:06:40 UTC." in text
    assert "Check link and power" in text


@pytest.mark.parametrize("condition", Condition)
@pytest.mark.parametrize("kind", ChangeKind)
def test_every_condition_has_a_text(condition: Condition, kind: ChangeKind) -> None:
    change = raised(condition=condition)
    if kind is ChangeKind.CHANGED:
        change = raised(condition=condition, severity=Severity.WARNING, before=change.alarm)
    if kind is ChangeKind.CLEARED:
        change = raised(condition=condition, severity=Severity.CLEARED, before=change.alarm)
    text = sentence(change)
    assert "alder-ridge/rpt-1" in text
    assert "nan" not in text.split()
    assert "None" not in text


def test_a_word_that_is_no_severity_is_refused() -> None:
    with pytest.raises(ValueError, match="'grave', wanted one of cleared, warning"):
        Severity.from_word("grave")
