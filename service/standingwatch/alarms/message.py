"""Notifications as CloudEvents: about one alarm with the data that every event has, or about several."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterable, Sequence

from standingwatch.alarms.event import cloudevent, event_id, resource, rfc3339
from standingwatch.alarms.lifecycle import Alarm, Change, ChangeKind
from standingwatch.alarms.notice import Notice, NoticeKind
from standingwatch.alarms.shape import AlarmEvent, ListedAlarm, SummaryEvent
from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import several, span, where
from standingwatch.detect.words import Severity

#: So many alarms of a summary are listed in its data, and so many are named in its text; others are counted.
LISTED, NAMED = 50, 5

_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:standingwatch:notification")

GRAVEST_FIRST = (Severity.CRITICAL, Severity.MAJOR, Severity.MINOR, Severity.WARNING)


def common_key(alarms: Iterable[Alarm]) -> tuple[str, str, str, str]:
    """Site, transmitter, region and part of the service that alarms have in common; "" where they differ."""
    keys = [alarm.key for alarm in alarms]

    def common(names: Sequence[str]) -> str:
        return names[0] if len(set(names)) == 1 else ""

    site = common([k.site for k in keys])
    return (
        site,
        common([k.transmitter for k in keys]) if site else "",
        common([k.region for k in keys]),
        common([k.service for k in keys]),
    )


def notice_event(notice: Notice, source: str) -> AlarmEvent | SummaryEvent:
    """A notification as a CloudEvent.

    Args:
        notice: what to tell.
        source: URI-reference of this service, the CloudEvents `source`.
    """
    if notice.kind is NoticeKind.SUMMARY:
        return _summary(notice, source)
    alarm, was = notice.alarms[0], notice.previous[0]
    kind = ChangeKind.CHANGED if notice.kind is NoticeKind.REMINDER else ChangeKind(notice.kind.value)
    now = Severity.CLEARED if alarm.is_cleared else alarm.severity
    change = Change(kind, alarm, was, now, alarm.changed_us, notice.now_us)
    event = cloudevent(change, source)
    if notice.kind is NoticeKind.REMINDER:
        since = _waited(max(0, notice.now_us - alarm.raised_us))
        event["type"] = "standingwatch.alarm.reminder"
        event["data"]["text"] = f"Nobody has acknowledged this for {since}. {event['data']['text']}"
    if not notice.is_exact:
        # Another telling of a change that has an id already: the channel was not told what came before.
        told = [event_id(source, change), notice.kind.value, was.word]
        if notice.kind is NoticeKind.REMINDER:
            told.append(str(notice.now_us))
        event["id"] = str(uuid.uuid5(_NAMESPACE, "\n".join(told)))
    return event


def _summary(notice: Notice, source: str) -> SummaryEvent:
    """A notification about several alarms as a CloudEvent."""
    site, transmitter, region, service = common_key(notice.alarms)
    standing = [a for a in notice.alarms if not a.is_cleared]
    gravest = max((a.severity for a in standing), default=Severity.CLEARED)
    counts = Counter(Severity.CLEARED if a.is_cleared else a.severity for a in notice.alarms)
    parts = [source, notice.channel, notice.why, str(notice.now_us)]
    parts += [f"{a.key}{a.changes}" for a in notice.alarms]
    names = [name for name in (site, transmitter) if name]
    return {
        "specversion": "1.0",
        "id": str(uuid.uuid5(_NAMESPACE, "\n".join(parts))),
        "source": source,
        "type": "standingwatch.alarm.summary",
        "subject": "/".join(names) or (f"region/{region}" if region else "fleet"),
        "time": rfc3339(notice.now_us),
        "datacontenttype": "application/json",
        "data": {
            "site": site or None,
            "transmitter": transmitter or None,
            "region": region or None,
            "service": service or None,
            "condition": None,
            "severity": gravest.word,
            "why": notice.why,
            "counts": {s.word: counts[s] for s in (*GRAVEST_FIRST, Severity.CLEARED)},
            "alarms": [_listed(a) for a in notice.alarms[:LISTED]],
            "more": max(0, len(notice.alarms) - LISTED),
            "text": summary_text(notice),
        },
    }


def _waited(waited_us: int) -> str:
    """How long something has waited: in minutes up to two hours."""
    minutes = round(waited_us / 60e6)
    return several(minutes, "minute") if minutes < 120 else span(waited_us)


def _listed(alarm: Alarm) -> ListedAlarm:
    """An alarm as one line of a summary."""
    return {
        **resource(alarm.key),
        "condition": alarm.key.condition.value,
        "severity": Severity.CLEARED.word if alarm.is_cleared else alarm.severity.word,
        "time_raised": rfc3339(alarm.raised_us),
        "likely_cause": alarm.causes[0].cause.value if alarm.causes else None,
        "text": _in_short(alarm),
    }


def _in_short(alarm: Alarm) -> str:
    """An alarm in a few words."""
    how = "ended" if alarm.is_cleared else alarm.severity.word
    return f"{where(alarm.key, alarm.members)}: {WHAT[alarm.key.condition]} ({how})"


def summary_text(notice: Notice) -> str:
    """A summary in words."""
    alarms = notice.alarms
    standing = [a for a in alarms if not a.is_cleared]
    ended = len(alarms) - len(standing)
    counts = Counter(a.severity for a in standing)
    kinds = ", ".join(f"{counts[s]} {s.word}" for s in GRAVEST_FIRST if counts[s])
    said = []
    if standing:
        said.append(f"{several(len(standing), 'alarm')} ({kinds})")
    if ended:
        said.append(f"{several(ended, 'alarm')} ended")
    site, _, region, _ = common_key(alarms)
    sites = {a.key.site for a in alarms if a.key.site}
    if site:
        place = f"site {site}"
    elif region:
        place = f"region {region}"
    else:
        place = several(len(sites), "site") if sites else "the fleet"
    first = {
        "site": f"{place}: {' and '.join(said)}.",
        "flood": f"More alarms than can be told one by one: {' and '.join(said)}, at {place}.",
        "pace": f"Told together, to keep the pace: {' and '.join(said)}, at {place}.",
        "reminder": f"Nobody has acknowledged {' and '.join(said)}, at {place}.",
    }[notice.why]
    named = [f"{_in_short(a)}." for a in alarms[:NAMED]]
    more = len(alarms) - NAMED
    if more > 0:
        named.append(f"And {more} more; the alarm list has all of them.")
    return " ".join([first, *named])
