"""What goes out, as types: events, the retained lists of present alarms, the heartbeat.

They are plain dictionaries, written as JSON in the order in which they are made. The notes on the members
are for the published JSON Schema (`wire_schema.py`), which is made of these types.

Words: RFC 8632 (severity, operator state), ITU-T X.733 as registered in RFC 3877 (probable cause),
CloudEvents 1.0.2 (the envelope).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired, TypedDict

import msgspec

from standingwatch.alarms.handling import OperatorState
from standingwatch.alarms.lifecycle import ChangeKind
from standingwatch.detect.interface import Value
from standingwatch.detect.words import Cause, Condition, Severity

#: CloudEvents `type` of events about one alarm.
EventType = Literal[
    "standingwatch.alarm.raised",
    "standingwatch.alarm.changed",
    "standingwatch.alarm.cleared",
    "standingwatch.alarm.reminder",
]
EVENT_TYPES: dict[ChangeKind, EventType] = {
    ChangeKind.RAISED: "standingwatch.alarm.raised",
    ChangeKind.CHANGED: "standingwatch.alarm.changed",
    ChangeKind.CLEARED: "standingwatch.alarm.cleared",
}

#: X.733 probable cause of each condition (names of ITU-T X.733, as registered in RFC 3877).
PROBABLE_CAUSE = {
    Condition.SWR_HIGH: "thresholdCrossed",
    Condition.SWR_RISING: "performanceDegraded",
    Condition.SWR_STEP: "performanceDegraded",
    Condition.SWR_INTERMITTENT: "performanceDegraded",
    Condition.SWR_WEATHER: "performanceDegraded",
    Condition.FEEDER_LOSS_RISING: "degradedSignal",
    Condition.FORWARD_POWER_LOW: "transmitterFailure",
    Condition.FOLDBACK_ACTIVE: "transmitterFailure",
    Condition.MEASUREMENT_SUSPECT: "inputDeviceError",
    Condition.REPORTS_MISSING: "lossOfSignal",
    Condition.SITE_UNREACHABLE: "communicationsSubsystemFailure",
    Condition.INTAKE_LATE: "responseTimeExcessive",
    Condition.BROKER_LOST: "communicationsSubsystemFailure",
    Condition.STORE_FILLING: "storageCapacityProblem",
    Condition.JOB_MISSED: "softwareProgramAbnormallyTerminated",
    Condition.CLOCK_JUMPED: "timingProblem",
    Condition.CHANNEL_FAILING: "communicationsProtocolError",
}


def _note(description: str, **rules: Any) -> msgspec.Meta:
    """What a member means, and rules of JSON Schema for it."""
    return msgspec.Meta(description=description, extra_json_schema=rules or None)


_STANDING = [s.word for s in Severity if s is not Severity.CLEARED]

Time = Annotated[
    str,
    msgspec.Meta(
        extra_json_schema={
            "format": "date-time",
            "pattern": r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{6})?Z$",
        }
    ),
]
ConditionWord = Annotated[str, msgspec.Meta(extra_json_schema={"enum": [c.value for c in Condition]})]
CauseWord = Annotated[str, msgspec.Meta(extra_json_schema={"enum": [c.value for c in Cause]})]
SeverityWord = Annotated[str, msgspec.Meta(extra_json_schema={"enum": [s.word for s in Severity]})]
StandingWord = Annotated[str, msgspec.Meta(extra_json_schema={"enum": _STANDING})]
Share = Annotated[float, msgspec.Meta(extra_json_schema={"minimum": 0, "maximum": 1})]
Count = Annotated[int, msgspec.Meta(extra_json_schema={"minimum": 0})]
Name = Annotated[str, msgspec.Meta(extra_json_schema={"minLength": 1})]


class Resource(TypedDict):
    """What something is about; null for what it is not about."""

    site: Annotated[Name | None, _note("The site.")]
    transmitter: Annotated[Name | None, _note("The transmitter, where it is about one.")]
    region: Annotated[Name | None, _note("The region, where it is about one.")]
    service: Annotated[Name | None, _note("The part of the service itself, where it is about one.")]


class LikelyCauseData(TypedDict):
    """A possible cause of an alarm."""

    cause: CauseWord
    confidence: Annotated[Share, _note("How sure that is, from 0 to 1.")]
    because: Annotated[str, _note("The evidence for it in words.")]


class ForecastData(TypedDict):
    """When a trend reaches one limit of the SWR at the transmitter."""

    limit: Annotated[Name, _note("The limit by name, such as foldback.")]
    swr: Annotated[float | Literal["infinite"] | None, _note("The limit as SWR.")]
    says: Annotated[str, _note("expected, reached, or in words why nothing can be said.")]
    earliest: Annotated[Time | None, _note("The 10 % point of the date.")]
    expected: Annotated[Time | None, _note("The 50 % point of the date.")]
    latest: Annotated[Time | None, _note("The 90 % point of the date.")]


class AlarmState(Resource):
    """What events and lists say of an alarm alike."""

    condition: ConditionWord
    time_raised: Annotated[Time, _note("Since when it stands, by the readings.")]
    time_changed: Annotated[Time, _note("When it last changed, by the readings.")]
    probable_cause: Annotated[
        str, _note("The name of ITU-T X.733.", enum=sorted(set(PROBABLE_CAUSE.values())))
    ]
    likely_causes: Annotated[list[LikelyCauseData], _note("Most likely first.")]
    evidence: Annotated[
        dict[str, Value],
        _note("Values behind it, each name carrying its unit: infinity is the word infinite."),
    ]
    members: Annotated[list[Name], _note("SITE/TRANSMITTER of each in a group that moves together.")]
    chatters: Annotated[bool, _note("Whether it comes and goes and is held as one alarm.")]
    forecast: Annotated[list[ForecastData], _note("Where a trend was found: when it reaches the limits.")]


class AlarmData(AlarmState):
    """The data of an event about one alarm."""

    severity: Annotated[SeverityWord, _note("Perceived severity from now on.")]
    previous_severity: Annotated[SeverityWord, _note("Perceived severity before.")]
    text: Annotated[str, _note("All of it in words.")]


class PresentAlarm(AlarmState):
    """An alarm that stands, as in the retained list of its resource."""

    severity: Annotated[StandingWord, _note("Perceived severity.")]
    operator_state: Annotated[
        str, _note("What people did with it.", enum=[state.value for state in OperatorState])
    ]
    assigned_to: Annotated[Name | None, _note("Who is on it.")]


class _Envelope(TypedDict):
    """What every event has (CloudEvents 1.0.2, structured JSON)."""

    specversion: Literal["1.0"]
    id: Annotated[Name, _note("The same at every try: tells repeats.")]
    source: Annotated[Name, _note("URI reference of this service.")]
    subject: Annotated[
        Name, _note("SITE/TRANSMITTER, SITE, region/NAME, service/PART; fleet or test where it is none.")
    ]
    time: Annotated[Time, _note("When the service noted it.")]
    datacontenttype: Literal["application/json"]


class AlarmEvent(_Envelope):
    """An alarm is raised, changes or is cleared, or waits unacknowledged."""

    type: EventType
    data: AlarmData


class ListedAlarm(Resource):
    """An alarm as a line of a summary."""

    condition: ConditionWord
    severity: SeverityWord
    time_raised: Time
    likely_cause: CauseWord | None
    text: str


class SummaryData(Resource):
    """The data of an event about several alarms: what they have in common, and each of them."""

    condition: None
    severity: Annotated[SeverityWord, _note("The gravest of those that stand.")]
    why: Annotated[
        str,
        _note("Why they are told together and not singly.", enum=["site", "flood", "pace", "reminder"]),
    ]
    counts: Annotated[dict[str, Count], _note("How many there are of each severity.")]
    alarms: Annotated[list[ListedAlarm], _note("The gravest first.")]
    more: Annotated[Count, _note("How many more there are than are listed.")]
    text: Annotated[str, _note("All of it in words.")]


class SummaryEvent(_Envelope):
    """Several alarms in one event, where a channel is spared single ones."""

    type: Literal["standingwatch.alarm.summary"]
    data: SummaryData


class TrialData(Resource):
    """The data of an event that proves a channel: there is no alarm."""

    condition: None
    severity: Literal["warning"]
    previous_severity: Literal["cleared"]
    time_raised: Time
    time_changed: Time
    test: Literal[True]
    text: str


class TrialEvent(_Envelope):
    """An event sent by hand to prove a channel."""

    type: Literal["standingwatch.test"]
    data: TrialData


class WatchBeat(TypedDict):
    """How far the watch has come."""

    until: Annotated[Time | None, _note("Up to when it has judged.")]
    last_pass: Annotated[Time | None, _note("When it last finished a pass.")]
    lag_s: Annotated[float, _note("How far it is behind the newest arrival [s].")]


class IntakeBeat(TypedDict):
    """How far the intake has come."""

    until: Annotated[Time | None, _note("Up to when it has kept all that was sent.")]
    lag_s: Annotated[float | None, _note("How far that is behind now [s].")]
    connected: bool
    queue: Annotated[Count, _note("Messages received and not yet kept.")]


class _Sender(TypedDict):
    """Who beats, and when."""

    time: Time
    version: Annotated[Name, _note("Version of the service.")]
    client_id: Annotated[Name, _note("Name of the service at the broker.")]


class Beat(_Sender):
    """The service lives. Take it for old when no new one has come for a few times `every_s`."""

    ready: Annotated[bool, _note("Whether it does its work.")]
    reasons: Annotated[list[str], _note("Why it does not.")]
    uptime_s: NotRequired[float]
    every_s: NotRequired[Annotated[float, _note("Time between two beats [s].")]]
    watch: NotRequired[WatchBeat]
    intake: NotRequired[IntakeBeat]
    alarms: NotRequired[Annotated[dict[str, Count], _note("Standing alarms by severity.")]]


class BeatEnded(_Sender):
    """In place of a heartbeat when there is none any more."""

    ended: Annotated[Literal["stopped", "unexpectedly"], _note("By hand, or without a good-bye.")]
