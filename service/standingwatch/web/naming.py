"""An alarm by its subject and condition, as addresses, forms and the API name it."""

from __future__ import annotations

from urllib.parse import urlencode

from sqlalchemy import Connection

from standingwatch.alarms.event import subject
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import SERVICE_CONDITIONS, Condition
from standingwatch.store.alarming import load_alarm

#: Each condition by its word.
CONDITIONS = {condition.value: condition for condition in Condition}


def keys_of(subject_text: str, condition: Condition) -> list[AlarmKey]:
    """The keys that a subject can mean, the likeliest first; none where it names nothing.

    Args:
        subject_text: "SITE/TRANSMITTER", "SITE", "region/NAME" or "service/PART". Names of sites and
            transmitters hold no "/", so only a site that is called "region" leaves a choice.
        condition: what is wrong.
    """
    first, slash, rest = subject_text.partition("/")
    if condition in SERVICE_CONDITIONS:
        return [AlarmKey("", "", condition, service=rest)] if first == "service" and rest else []
    keys = []
    if first == "region" and rest:
        keys.append(AlarmKey("", "", condition, region=rest))
    if first and bool(slash) == bool(rest) and "/" not in rest:
        keys.append(AlarmKey(first, rest, condition))
    return keys


def find_key(connection: Connection, subject_text: str, condition_word: str) -> AlarmKey | None:
    """The key of an alarm that there is, standing or ended; None where there is none."""
    condition = CONDITIONS.get(condition_word)
    # No name has a NUL, and PostgreSQL takes no question with one.
    if condition is None or "\0" in subject_text:
        return None
    found = keys_of(subject_text, condition)
    return next((key for key in found if load_alarm(connection, key) is not None), None)


def alarm_address(key: AlarmKey) -> str:
    """The address of an alarm's page."""
    return f"/alarm?{urlencode({'subject': subject(key), 'condition': key.condition.value})}"


def form_value(key: AlarmKey) -> str:
    """An alarm as the value of a form's checkbox: its condition, a space, its subject."""
    return f"{key.condition.value} {subject(key)}"


def split_form_value(value: str) -> tuple[str, str]:
    """Subject and condition of a form's checkbox."""
    condition, _, subject_text = value.partition(" ")
    return subject_text, condition
