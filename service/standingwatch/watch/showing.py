"""What the watch shows as metrics: the newest readings, the alarms, and the alarm system itself."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

import numpy as np

from standingwatch.alarms.lifecycle import Alarm, Change
from standingwatch.alarms.telling import HELD_BACK
from standingwatch.detect.words import Severity
from standingwatch.metrics import FleetState, Metrics
from standingwatch.readings import UNUSABLE, Flag, IntArray, Readings
from standingwatch.watch.desk import Desk, Plan


def newest_of(shown: FleetState, readings: Readings) -> FleetState:
    """The newest readings, after some more; what is older than what is shown changes nothing."""
    known = readings.take((readings.flags & int(Flag.FUTURE)) == 0).sorted_by_transmitter()
    result = replace(
        shown,
        time_us=shown.time_us.copy(),
        usable_us=shown.usable_us.copy(),
        forward_w=shown.forward_w.copy(),
        reflected_w=shown.reflected_w.copy(),
        keyed=shown.keyed.copy(),
        baseline_rho=shown.baseline_rho.copy(),
    )
    last = _last_of_each(known.transmitter)
    newer = last[known.time_us[last] > result.time_us[known.transmitter[last]]]
    owner = known.transmitter[newer]
    result.time_us[owner] = known.time_us[newer]
    result.keyed[owner] = (known.flags[newer] & int(Flag.NOT_KEYED)) == 0
    usable = known.take((known.flags & UNUSABLE & ~int(Flag.LATE)) == 0)
    last = _last_of_each(usable.transmitter)
    newer = last[usable.time_us[last] > result.usable_us[usable.transmitter[last]]]
    owner = usable.transmitter[newer]
    result.usable_us[owner] = usable.time_us[newer]
    result.forward_w[owner] = usable.forward_w[newer]
    result.reflected_w[owner] = usable.reflected_w[newer]
    return result


def _last_of_each(owner: IntArray) -> IntArray:
    """Position of the last row of each owner; rows are sorted by owner."""
    if len(owner) == 0:
        return np.empty(0, dtype=np.int64)
    return np.append(np.flatnonzero(owner[1:] != owner[:-1]), len(owner) - 1)


def show_alarms(
    metrics: Metrics,
    shown: FleetState,
    alarms: Collection[Alarm],
    changes: Iterable[Change],
    part: int = 0,
) -> dict[str, int]:
    """Show the newest readings and the alarms of a part of the watch, beside those of other parts.

    Returns:
        How many of its alarms stand, by the word for their severity.
    """
    for change in changes:
        metrics.alarm_changes.labels(change.kind.value, change.severity.word).inc()
    standing = [alarm for alarm in alarms if not alarm.is_cleared]
    counts = {}
    for severity in (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL):
        counts[severity.word] = sum(alarm.severity is severity for alarm in standing)
        gauge = metrics.alarms_standing.labels(severity.word)
        gauge.set(metrics.fleet.total(("standing", severity.word), part, counts[severity.word]))
    severities = {}
    for alarm in standing:
        key = alarm.key
        names = (key.site, key.transmitter, key.condition.value, key.region, key.service)
        severities[names] = int(alarm.severity)
    metrics.fleet.show(shown, severities, part)
    return counts


def show_desk(metrics: Metrics, desk: Desk, plan: Plan, part: int = 0) -> None:
    """Show the alarm system itself, of a part of the watch beside other parts."""
    total = metrics.fleet.total
    for notice in plan.notices:
        metrics.notifications.labels(notice.channel, notice.kind.value).inc()
    metrics.alarm_flood.set(total(("flood", ""), part, desk.teller.in_flood) > 0)
    for reason in HELD_BACK:
        held = total(("held", reason), part, desk.teller.held_back.get(reason, 0))
        metrics.alarms_held_back.labels(reason).set(held)
    for state, count in desk.states().items():
        metrics.alarms_by_operator_state.labels(state.value).set(total(("state", state.value), part, count))


def forget_part(metrics: Metrics, part: int) -> None:
    """Show nothing more of a part of the watch that this process has no longer."""
    gauges = {
        "standing": metrics.alarms_standing,
        "held": metrics.alarms_held_back,
        "state": metrics.alarms_by_operator_state,
    }
    for (name, label), value in metrics.fleet.forget(part).items():
        if name in gauges:
            gauges[name].labels(label).set(value)
        else:
            metrics.alarm_flood.set(value > 0)
