"""Alarms and what people do with them as JSON data."""

from __future__ import annotations

from typing import Any

from standingwatch.alarms.event import present_alarm, rfc3339, subject
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.alarms.shelving import Window
from standingwatch.web.desk import DeskAlarm


def name_data(key: AlarmKey) -> dict[str, str]:
    """An alarm's name."""
    return {"subject": subject(key), "condition": key.condition.value}


def handling_data(one: DeskAlarm) -> dict[str, Any]:
    """What people have done with an alarm."""
    handling, shelf = one.handling, one.shelf
    return {
        "operator_state": handling.state.value,
        "operator": handling.by or None,
        "operator_time": rfc3339(handling.time_us) if handling.time_us else None,
        "assigned_to": handling.assigned_to or None,
        "shelf": shelf.number if shelf is not None else None,
        "shelved_until": rfc3339(shelf.until_us) if shelf is not None else None,
        "work": window_data(one.work) if one.work is not None else None,
    }


def alarm_data(one: DeskAlarm) -> dict[str, Any]:
    """An alarm with all that is known of it."""
    return {
        "subject": subject(one.alarm.key),
        **present_alarm(one.alarm),
        "is_cleared": one.alarm.is_cleared,
        "chatters": one.alarm.chatters,
        "text": one.text,
        **handling_data(one),
    }


def window_data(window: Window) -> dict[str, Any]:
    """A window of work."""
    return {
        "site": window.site,
        "transmitter": window.transmitter or None,
        "kind": window.kind,
        "start": rfc3339(window.start_us),
        "end": rfc3339(window.end_us),
    }
