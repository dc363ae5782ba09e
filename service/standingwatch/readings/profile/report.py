"""From one record, a report as it came, to a reading and whose it is."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

from standingwatch.readings.columns import Reading
from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.readings.profile.model import (
    ABSENT,
    NAMES,
    FieldName,
    Profile,
    Record,
    Rules,
    UnusableError,
)
from standingwatch.readings.profile.quantities import UNITS, reflected_w


def raw_of(rules: Rules, name: FieldName, record: Record) -> Any:
    """The raw value of a field; `ABSENT` where the report has none, or the profile does not look for it.

    JSON's null and an empty cell or text of a CSV line say nothing either.

    Raises
    ------
    UnusableError
        If an expression does not work on the record.
    """
    field = rules.fields.get(name)
    if field is None:
        return ABSENT
    raw = field.source.get(record)
    return ABSENT if raw is None or (raw == "" and field.source.kind == "column") else raw


def value_of(rules: Rules, name: FieldName, record: Record) -> Any:
    """The value of a field; None where the report says none.

    Numbers are in the units of `Reading`; `reflected` is in the field's `result_unit` where that is no power.

    Raises
    ------
    UnusableError
        If there is one that cannot be used.
    """
    raw = raw_of(rules, name, record)
    return None if raw is ABSENT else rules.fields[name].convert(raw)


def place_of(profile: Profile, record: Record) -> tuple[str, str]:
    """Site and transmitter of a record by our names: from the payload, else the topic, else the constants.

    Raises
    ------
    UnusableError
        Reason `unknown-place` if one of them is named nowhere.
    """
    theirs = {}
    for name in NAMES:
        found = value_of(profile.rules, name, record) if name in profile.rules.fields else None
        found = found or record.parts.get(name) or profile.rules.constants.get(name)
        if not found:
            raise UnusableError(
                "unknown-place",
                f"no name of the {name} in topic or payload; give {{{name}}} in `topic`, [fields.{name}] or "
                f"[constants] {name}",
            )
        theirs[name] = found
    site = profile.sites.get(theirs["site"], theirs["site"])
    transmitter = theirs["transmitter"]
    ours = profile.transmitters.get(f"{site}/{transmitter}") or profile.transmitters.get(transmitter)
    return site, ours or transmitter


def values_of(rules: Rules, record: Record) -> dict[str, Any]:
    """The values of all fields of a record but those that name the place; what it does not say is left out.

    Raises
    ------
    UnusableError
        As `value_of`.
    """
    values: dict[str, Any] = {}
    for name, field in rules.fields.items():
        if name in NAMES:
            continue
        raw = field.source.get(record)
        if raw is ABSENT or raw is None or (raw == "" and field.source.kind == "column"):
            continue
        value = field.convert(raw)
        if value is not None:
            values[name] = value
    return values


def reading_of(
    rules: Rules, values: Mapping[str, Any], received_us: int, time_if_absent: TimeIfAbsent
) -> Reading:
    """The reading of some values.

    Parameters
    ----------
    rules
        Those that the values were read by.
    values
        By field, as `values_of` gives them.
    received_us
        When the report came [us since 1970-01-01 UTC].
    time_if_absent
        `refuse` a report without a time, or give it the time of `receipt`.

    Raises
    ------
    UnusableError
        Reason `no-time` or `no-power` where one is not there, `bad-value` where values do not go together.
    """
    time_us = values.get("time")
    if time_us is None:
        if time_if_absent != "receipt":
            said = _where(rules, "time")
            raise UnusableError(
                "no-time",
                f"time is missing{said}; give [fields.time], or let the settings allow the time of receipt "
                "(intake.time_if_absent)",
            )
        time_us = received_us
    forward = values.get("forward")
    if forward is None:
        raise UnusableError("no-power", f"forward power is missing{_where(rules, 'forward')}")
    reflected = values.get("reflected")
    if reflected is None:
        raise UnusableError("no-power", f"reflected power is missing{_where(rules, 'reflected')}")
    unit = rules.fields["reflected"].result_unit
    if UNITS[unit].kind != "power":
        try:
            reflected = reflected_w(forward, reflected, unit)
        except ValueError as error:
            raise UnusableError("bad-value", f"reflected {error}") from error
        if not isfinite(reflected):
            raise UnusableError(
                "bad-value", f"reflected is {values['reflected']} {unit} of {forward} W, too large"
            )
    get, constant = values.get, rules.constants.get
    keyed, frequency, channel, power = get("keyed"), get("frequency"), get("channel"), get("set_power")
    return Reading(
        time_us,
        forward,
        reflected,
        constant("keyed") if keyed is None else keyed,
        constant("frequency_mhz") if frequency is None else frequency,
        constant("channel") if channel is None else channel,
        constant("set_power_w") if power is None else power,
        get("foldback"),
        get("pa_temperature"),
        get("ambient_temperature"),
        get("precipitation"),
        get("wind"),
        get("sequence"),
    )


def _where(rules: Rules, name: FieldName) -> str:
    field = rules.fields.get(name)
    return f": nothing stands at {field.source}" if field is not None else ""
