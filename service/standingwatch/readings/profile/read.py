"""A message that a profile reads: its readings and whose they are, what is refused, parts of reports.

Nothing that a message holds makes these functions raise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from standingwatch.readings.columns import Reading
from standingwatch.readings.decode import Refusal, TimeIfAbsent
from standingwatch.readings.profile.model import ABSENT, FieldName, Profile, Record, UnusableError
from standingwatch.readings.profile.payloads import Opened, open_payload
from standingwatch.readings.profile.report import place_of, raw_of, reading_of, values_of


class Placed(NamedTuple):
    """A reading and whose it is.

    Attributes:
        site, transmitter: by our names.
        reading: the reading.
        payload: the payload that held it.
        at: its position among the reports of the payload.
        alone: gives one of those as a payload of its own; None where the payload stands for itself.
    """

    site: str
    transmitter: str
    reading: Reading
    payload: bytes
    at: int = 0
    alone: Callable[[int], bytes] | None = None

    @property
    def part(self) -> bytes:
        """The report as a payload of its own, which the same profile reads on the same topic."""
        return self.payload if self.alone is None else self.alone(self.at)


class Part(NamedTuple):
    """A bare value, which makes a report with others.

    Attributes:
        profile: what read it.
        site, transmitter: whose it is, by our names.
        field: which field it is.
        value: its value, as `report.values_of` gives it.
        time_us: when it was measured [us since 1970-01-01 UTC]; None where the message does not say.
        received_us: when it came [the same].
        group: the levels of its topic besides the quantity: what parts of one report have in common.
        others: values that the topic or payload says besides, by field.
        topic, payload: the message.
        number: its number among those that wait in the store; 0 before it is there.
    """

    profile: Profile
    site: str
    transmitter: str
    field: FieldName
    value: Any
    time_us: int | None
    received_us: int
    group: tuple[str, ...]
    others: Mapping[str, Any]
    topic: str
    payload: bytes
    number: int = 0

    @property
    def about(self) -> tuple[str, ...]:
        """What all parts of one report have in common."""
        return (self.profile.name, self.site, self.transmitter, *self.group)


class ProfileRead(NamedTuple):
    """What a message held."""

    placed: list[Placed]
    refusals: list[Refusal]
    parts: list[Part]


def read_message(
    profile: Profile, topic: str, payload: bytes, received_us: int, *, time_if_absent: TimeIfAbsent
) -> ProfileRead:
    """What a message holds, as a profile reads it.

    Parameters
    ----------
    profile
        Of any format but `sparkplug`, whose metrics `records.placed_from_record` reads.
    topic
        Where it came.
    payload
        Its bytes, at most 4 MiB and 20,000 reports.
    received_us
        When it came [us since 1970-01-01 UTC].
    time_if_absent
        `refuse` a report without a time, or give it the time of `receipt`. A bare number without a time
        always has that of its receipt: nothing else could join it to others.

    Returns
    -------
    ProfileRead
        In a payload of several reports each stands alone: the good ones are kept. The reasons of refusals are
        those of `readings.decode.Refusal`, and `unknown-topic`, `unknown-place`, `not-csv`, `not-a-number`,
        `out-of-table`.
    """
    parts = profile.topic.match(topic)
    if parts is None:
        detail = f"profile {profile.name} reads topics like {profile.topic.text}"
        return ProfileRead([], [Refusal("unknown-topic", detail, payload)], [])
    return read_parts(profile, topic, parts, payload, received_us, time_if_absent=time_if_absent)


def read_parts(
    profile: Profile,
    topic: str,
    parts: Mapping[str, str],
    payload: bytes,
    received_us: int,
    *,
    time_if_absent: TimeIfAbsent,
) -> ProfileRead:
    """As `read_message`, of a topic whose parts are known already."""
    result = ProfileRead([], [], [])
    try:
        opened = open_payload(profile, parts, payload)
    except UnusableError as unusable:
        result.refusals.append(Refusal(unusable.reason, unusable.detail, payload))
        return result
    if profile.format == "number":
        record = opened.records[0]
        try:
            if isinstance(record, UnusableError):
                raise record
            part = _part(profile, record, topic, payload, received_us)
            if part is not None:
                result.parts.append(part)
        except UnusableError as unusable:
            result.refusals.append(Refusal(unusable.reason, unusable.detail, payload))
        return result
    unusable_at: list[tuple[int, UnusableError]] = []
    for at, record in enumerate(opened.records):
        try:
            if isinstance(record, UnusableError):
                raise record
            site, transmitter = place_of(profile, record)
            rules = profile.rules_for(site, transmitter)
            reading = reading_of(rules, values_of(rules, record), received_us, time_if_absent)
        except UnusableError as unusable:
            unusable_at.append((at, unusable))
        else:
            result.placed.append(Placed(site, transmitter, reading, payload, at, opened.alone))
    if unusable_at:
        result.refusals.extend(_refusals(opened, unusable_at, payload))
    return result


def _refusals(opened: Opened, found: list[tuple[int, UnusableError]], payload: bytes) -> list[Refusal]:
    if opened.alone is not None:
        return [Refusal(unusable.reason, unusable.detail, opened.alone(at)) for at, unusable in found]
    if len(opened.records) == 1:
        return [Refusal(unusable.reason, unusable.detail, payload) for _, unusable in found]
    # No payload can be made for one of them alone: the whole is kept, once for each reason.
    by_reason: dict[str, list[tuple[int, str]]] = {}
    for at, unusable in found:
        by_reason.setdefault(unusable.reason, []).append((at, unusable.detail))
    refusals = []
    for reason, several in by_reason.items():
        at, detail = several[0]
        more = f", and {len(several) - 1} more" if len(several) > 1 else ""
        refusals.append(
            Refusal(reason, f"{detail} (report {at + 1} of {len(opened.records)}{more})", payload)
        )
    return refusals


def _part(profile: Profile, record: Record, topic: str, payload: bytes, received_us: int) -> Part | None:
    """The part that a message is; None where its value says that there is none."""
    named = record.parts.get("quantity", "")
    name = profile.number.quantities.get(named)
    if name is None:
        known = ", ".join(profile.number.quantities)
        raise UnusableError(
            "unknown-topic",
            f"the level {named!r} of the topic is no quantity of profile {profile.name}, which has {known}; "
            "add it to [number.quantities]",
        )
    site, transmitter = place_of(profile, record)
    rules = profile.rules_for(site, transmitter)
    field = rules.fields[name]
    raw = raw_of(rules, name, record)
    if raw is ABSENT:
        raise UnusableError("not-a-number", f"{name}: nothing stands at {field.source}")
    value = field.convert(raw)
    if value is None:
        return None
    others: dict[str, Any] = {
        other: said
        for other in rules.fields
        if other not in profile.number.quantities.values()
        and other not in ("site", "transmitter")
        and (raw := raw_of(rules, other, record)) is not ABSENT
        and (said := rules.fields[other].convert(raw)) is not None
    }
    group = tuple(level for part, level in record.parts.items() if part != "quantity")
    return Part(
        profile,
        site,
        transmitter,
        name,
        value,
        others.pop("time", None),
        received_us,
        group,
        others,
        topic,
        payload,
    )
