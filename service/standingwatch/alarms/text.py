"""An alarm in words: what, where, since when, how bad, what to do first."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime

from standingwatch.alarms.lifecycle import Change, ChangeKind
from standingwatch.detect.interface import Value
from standingwatch.detect.words import Condition, Severity

#: What each condition is called in a sentence.
WHAT = {
    Condition.SWR_HIGH: "SWR over its limit",
    Condition.SWR_RISING: "SWR rising against its own baseline",
    Condition.SWR_STEP: "SWR stepped away from its baseline",
    Condition.SWR_INTERMITTENT: "SWR high in bursts",
    Condition.SWR_WEATHER: "SWR rising with wet weather",
    Condition.FEEDER_LOSS_RISING: "feeder loss rising",
    Condition.FORWARD_POWER_LOW: "forward power low",
    Condition.FOLDBACK_ACTIVE: "power folded back",
    Condition.MEASUREMENT_SUSPECT: "measurement suspect",
    Condition.REPORTS_MISSING: "reports missing",
    Condition.SITE_UNREACHABLE: "site unreachable",
}

#: What to do first (common practice, no source).
FIRST_STEP = {
    Condition.SWR_HIGH: "Compare with the other transmitters on the same antenna line.",
    Condition.SWR_RISING: "Compare with wet and dry days, and plan a visit while the rise is still slow.",
    Condition.REPORTS_MISSING: "See by other means whether the transmitter is on the air; "
    "check its meter and the meter's supply.",
    Condition.SITE_UNREACHABLE: "Check link and power of the site before anything else.",
}


#: The same for an SWR that endangers the transmitter (common practice, no source).
REDUCE_POWER = (
    "Reduce its power or take it off the air: the protection may act too late. "
    "Then compare with the other transmitters on the same antenna line."
)


def instant(time_us: int) -> str:
    """A time in UTC as a person reads it, to the second."""
    return datetime.fromtimestamp(time_us / 1e6, tz=UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def number(value: Value, digits: int = 2) -> str:
    """A number in words; infinity as the trade says it."""
    if not isinstance(value, int | float):
        return "unknown"
    return f"{value:.{digits}f}" if math.isfinite(value) else "infinite"


def sentence(change: Change) -> str:
    """The alarm text of a change."""
    alarm = change.alarm
    key = alarm.key
    where = f"{key.site}/{key.transmitter}" if key.transmitter else f"site {key.site}"
    what = WHAT[key.condition]
    values = alarm.values
    if change.kind is ChangeKind.CLEARED:
        return f"{where}: {what}: ended {instant(change.time_us)}. {_detail(key.condition, values)}".rstrip()
    since = instant(alarm.raised_us)
    worse = ""
    if change.kind is ChangeKind.CHANGED:
        step = "worse" if change.severity > change.previous else "better"
        worse = f" ({step}: was {change.previous.word})"
    parts = [f"{where}: {what}, {Severity(change.severity).word}{worse}, since {since}."]
    detail = _detail(key.condition, values)
    if detail:
        parts.append(detail)
    if alarm.causes:
        likely = alarm.causes[0]
        parts.append(f"Likely cause: {likely.cause.value} ({likely.confidence:.0%}), {likely.because}.")
    first = FIRST_STEP.get(key.condition)
    if key.condition is Condition.SWR_HIGH and change.severity >= Severity.MAJOR:
        first = REDUCE_POWER
    if first:
        parts.append(first)
    return " ".join(parts)


def _detail(condition: Condition, values: Mapping[str, Value]) -> str:
    """The figures of a condition in a sentence."""
    if condition is Condition.SWR_HIGH:
        antenna = values.get("swr_at_antenna")
        end = f", {number(antenna)}:1 at the antenna" if antenna is not None else ""
        return (
            f"SWR {number(values.get('swr'))}:1 at the transmitter{end} "
            f"(limit {number(values.get('limit_swr'))}:1), {number(values.get('forward_w'), 1)} W forward, "
            f"{number(values.get('reflected_w'))} W reflected."
        )
    if condition is Condition.SWR_RISING:
        at_antenna = number(values.get("swr_at_antenna"))
        end = f", {at_antenna}:1 at the antenna" if values.get("feeder_loss_known") else ""
        normal = number(values.get("baseline_return_loss_db"), 1)
        return (
            f"Return loss {number(values.get('return_loss_db'), 1)} dB "
            f"against a {values.get('baseline_kind')} baseline of {normal} dB, "
            f"SWR {number(values.get('swr'))}:1 at the transmitter{end}."
        )
    if condition in (Condition.REPORTS_MISSING, Condition.SITE_UNREACHABLE):
        last = values.get("last_report_us")
        heard = f"Last report {instant(int(last))}." if isinstance(last, int) else ""
        why = values.get("why")
        return f"{heard} {why}.".strip() if why else heard
    return ""
