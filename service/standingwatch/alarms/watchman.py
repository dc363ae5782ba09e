"""The watch on the watchman, judged: what is measured of this service itself gives evidence about its parts.

Every part is judged anew at each look from what is true then. Evidence is given where that differs from the
alarm list or from what was said last, so that a restart, or a pass of the watch that came to nothing,
neither loses nor doubles anything. What was not measured, or cannot be told so soon after a start, is left
as it stands.

Limits and severities are common practice, no source, where nothing else is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence
from standingwatch.detect._trend import theil_sen_slope
from standingwatch.detect.interface import Value
from standingwatch.detect.words import SERVICE_CONDITIONS, Condition, Severity

#: The intake is gravely late after so many times the time after which it is late.
INTAKE_MAJOR = 3

#: A channel fails gravely after so many times the time after which it is late.
CHANNEL_MAJOR = 6

#: A free part of the disk that is so many times smaller than its limit is critical: databases stop when
#: their disk is full.
STORE_CRITICAL = 5

#: An alarm about free space is not eased before there is so many times the limit again.
STORE_EASED = 1.1

#: A job is not late before this, however often it runs: another one may take as long [s].
JOB_LATE_LEAST_S = 900.0

#: A clock that jumped is told for so long after the last jump [s].
JUMP_TOLD_S = 3600.0

#: The growth of the store is that of so many hours; nothing is said before it has been seen for a day.
GROWTH_HOURS, GROWTH_LEAST_HOURS, GROWTH_LEAST_KNOWN = 168, 24, 12

_HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class WatchmanSettings:
    """When something is wrong with the service itself.

    Attributes:
        heartbeat_s: time between two heartbeats [s].
        intake_late_s: how far the intake may be behind now [s].
        broker_lost_s: how long a connection to the broker may be down [s].
        store_free_share: free part of the disk that holds the store, at least; 0 to 1.
        store_free_bytes: free space that is enough on any disk for a store that holds no more [B].
        store_days: time until the store is full at its present growth, at least [d].
        clock_jump_s: difference between the wall's clock and the monotonic one between two looks [s].
        channel_late_s: how long a message may wait for its delivery [s].
        job_late_share: time since a job's last success in parts of its interval, at most.
        store_max_bytes: most that the store may hold where its disk cannot be seen [B]; 0 for not known.
    """

    heartbeat_s: float = 30.0
    intake_late_s: float = 300.0
    broker_lost_s: float = 60.0
    store_free_share: float = 0.05
    store_free_bytes: int = 2_000_000_000
    store_days: float = 14.0
    clock_jump_s: float = 5.0
    channel_late_s: float = 600.0
    job_late_share: float = 2.0
    store_max_bytes: int = 0


# What is measured ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Jump:
    """The last jump of the wall's clock: by how much (forward above 0) and how long ago [s]."""

    step_s: float
    ago_s: float


@dataclass(frozen=True)
class StoreLook:
    """How much room the store has.

    Attributes:
        free_bytes, total_bytes: of the disk that holds it [B]; None where that cannot be seen.
        size_bytes: size of the store [B], None where it is not known yet.
        growth_bytes_a_day: what it grows by [B/d], None where it is not known yet.
        problem: why the disk could not be measured although it should have been; "" for none.
        note: what a reader has to know about these figures; "" for nothing.
    """

    free_bytes: int | None = None
    total_bytes: int | None = None
    size_bytes: int | None = None
    growth_bytes_a_day: float | None = None
    problem: str = ""
    note: str = ""


@dataclass(frozen=True)
class JobLook:
    """A job: its interval [s] and its newest run; `ended_us` is None where it never ran [Unix us]."""

    interval_s: float
    ended_us: int | None = None
    succeeded: bool = True
    detail: str = ""


@dataclass(frozen=True)
class ChannelLook:
    """What a channel has still to deliver.

    Attributes:
        oldest_us: when the oldest message that waits was made [Unix microseconds]; None for none.
        waiting: how many wait.
        dead: how many were given up on lately and not sent again.
        error: why the last try failed, "" where none did.
    """

    oldest_us: int | None = None
    waiting: int = 0
    dead: int = 0
    error: str = ""


@dataclass(frozen=True)
class Look:
    """What is measured at one moment; None for what was not.

    Attributes:
        now_us: now [Unix microseconds].
        running_s: how long this process has been looking, by the monotonic clock [s].
        jump: the last jump of the wall's clock that this process saw.
        horizon_us: up to when the intake has kept all that was sent [Unix us]; 0 where it never said.
        connections_down_s: how long each connection to the broker has been down, 0 while it is up [s].
        store: room for the store.
        jobs: by name.
        channels: by name.
    """

    now_us: int
    running_s: float
    jump: Jump | None = None
    horizon_us: int | None = None
    connections_down_s: Mapping[str, float] | None = None
    store: StoreLook | None = None
    jobs: Mapping[str, JobLook] | None = None
    channels: Mapping[str, ChannelLook] | None = None


# Judging ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """What a part is like: `CLEARED` where it is well, severity None where that cannot be told now."""

    severity: Severity | None
    values: dict[str, Value] = field(default_factory=dict)


_KEEP = Found(None)


def service_key(condition: Condition, part: str) -> AlarmKey:
    """The key of an alarm about a part of this service."""
    return AlarmKey("", "", condition, "", part)


def is_jump(step_s: float, settings: WatchmanSettings) -> bool:
    """Whether the wall's clock has moved against the monotonic one by more than clocks are put right by."""
    return abs(step_s) > settings.clock_jump_s


def judge(
    look: Look,
    alarms: Mapping[AlarmKey, Alarm],
    said: Mapping[AlarmKey, Severity],
    settings: WatchmanSettings,
) -> list[Evidence]:
    """Evidence for each part that is otherwise than the alarm list has it, or than was said last.

    Args:
        look: what was measured.
        alarms: the alarm list, cleared alarms and those of sites too.
        said: severity of the last evidence about each part since the start; empty makes all of it new.
        settings: limits.
    """
    standing = {
        key: alarm
        for key, alarm in alarms.items()
        if key.condition in SERVICE_CONDITIONS and key.service and not alarm.is_cleared
    }
    evidence = []
    for key, found in _found(look, standing, settings):
        alarm = standing.get(key)
        listed = alarm.severity if alarm is not None else Severity.CLEARED
        if found.severity is not None and not (found.severity == listed == said.get(key)):
            evidence.append(Evidence(key, found.severity, look.now_us, found.values))
    gone: dict[str, Value] = {"why": "this service has no such part any more"}
    evidence += [
        Evidence(key, Severity.CLEARED, look.now_us, gone, is_final=True)
        for key in standing
        if _is_gone(key, look)
    ]
    return evidence


def _found(
    look: Look, standing: Mapping[AlarmKey, Alarm], settings: WatchmanSettings
) -> Iterator[tuple[AlarmKey, Found]]:
    """Each part with what it is like."""
    clock = service_key(Condition.CLOCK_JUMPED, "clock")
    yield clock, _clock(look, standing.get(clock))
    if look.jump is not None and look.jump.ago_s <= 0.0:
        return  # times from before and after a jump cannot be compared; the next look can
    if look.horizon_us is not None:
        yield service_key(Condition.INTAKE_LATE, "intake"), _intake(look, look.horizon_us, settings)
    if look.connections_down_s is not None:
        down = _broker(look.connections_down_s, settings)
        yield service_key(Condition.BROKER_LOST, "broker"), down
    if look.store is not None:
        key = service_key(Condition.STORE_FILLING, "store")
        yield key, _store(look.store, standing.get(key), settings)
    for name, job in (look.jobs or {}).items():
        yield service_key(Condition.JOB_MISSED, f"job {name}"), _job(look, job, settings)
    for name, channel in (look.channels or {}).items():
        yield service_key(Condition.CHANNEL_FAILING, f"channel {name}"), _channel(look, channel, settings)


def _is_gone(key: AlarmKey, look: Look) -> bool:
    """Whether an alarm is about a job or channel that was taken out of the settings."""
    kind, _, name = key.service.partition(" ")
    if key.condition is Condition.JOB_MISSED and look.jobs is not None:
        return kind != "job" or name not in look.jobs
    if key.condition is Condition.CHANNEL_FAILING and look.channels is not None:
        return kind != "channel" or name not in look.channels
    return False


def _late(age_s: float, running_s: float, minor_s: float, major_s: float) -> Severity | None:
    """How bad an age is; None where it may only come from our own absence and has to be seen first."""
    if age_s <= minor_s:
        return Severity.CLEARED
    if running_s <= minor_s:
        return None
    return Severity.MAJOR if age_s > major_s else Severity.MINOR


def _age_s(time_us: int | None, look: Look) -> float:
    """Time since something happened; of what never did, time since the start [s]."""
    return (look.now_us - time_us) / 1e6 if time_us else look.running_s


def _clock(look: Look, alarm: Alarm | None) -> Found:
    if look.jump is not None and look.jump.ago_s < JUMP_TOLD_S:
        return Found(Severity.WARNING, {"step_s": look.jump.step_s})
    if look.jump is None and alarm is not None:
        # Raised before the start of this process. It may say a time that is still to come: then it counts
        # from the start.
        ago_s = (look.now_us - alarm.changed_us) / 1e6
        if (ago_s if ago_s >= 0.0 else look.running_s) < JUMP_TOLD_S:
            return _KEEP
    return Found(Severity.CLEARED)


def _intake(look: Look, horizon_us: int, settings: WatchmanSettings) -> Found:
    late_s = settings.intake_late_s
    age_s = max(0.0, _age_s(horizon_us, look))
    values: dict[str, Value] = {"late_s": age_s, "limit_s": late_s}
    if horizon_us:
        values["kept_until_us"] = horizon_us
    else:
        values["why"] = "the intake has kept nothing yet and never said that it is connected"
    return Found(_late(age_s, look.running_s, late_s, INTAKE_MAJOR * late_s), values)


def _broker(down_s: Mapping[str, float], settings: WatchmanSettings) -> Found:
    lost = {name: seconds for name, seconds in down_s.items() if seconds > settings.broker_lost_s}
    if lost:
        values: dict[str, Value] = {"down_s": max(lost.values()), "connections": ", ".join(sorted(lost))}
        return Found(Severity.MAJOR, values)
    # What is down for a short time only is neither lost yet nor back.
    return _KEEP if any(down_s.values()) else Found(Severity.CLEARED)


def enough_room_bytes(total: int, store: int | None, least_share: float, least_bytes: int) -> float:
    """Free space that is enough for the store [B].

    A part of the disk; but no more than the store holds, so that it can be copied, or than a fixed amount.

    Args:
        total: size of the disk, or the most that the store may hold [B].
        store: size of the store [B]; None, where it is not known, counts as small.
        least_share, least_bytes: as in the settings.
    """
    return min(least_share * total, max(least_bytes, store or 0))


def _store(store: StoreLook, alarm: Alarm | None, settings: WatchmanSettings) -> Found:
    if store.problem:
        why = f"how full the disk is cannot be measured: {store.problem}"
        return _KEEP if alarm is not None else Found(Severity.WARNING, {"why": why})
    rooms = []
    if store.free_bytes is not None and store.total_bytes:
        rooms.append((store.free_bytes, store.total_bytes))
    if settings.store_max_bytes and store.size_bytes is not None:
        rooms.append((max(0, settings.store_max_bytes - store.size_bytes), settings.store_max_bytes))
    values: dict[str, Value] = {"store_bytes": store.size_bytes} if store.size_bytes is not None else {}
    if store.note:
        values["why"] = store.note
    growth = store.growth_bytes_a_day
    if growth is not None:
        values["growth_bytes_a_day"] = growth
    if not rooms:
        return Found(Severity.CLEARED, values)
    least = settings.store_free_share, settings.store_free_bytes
    limited = [(free, total, enough_room_bytes(total, store.size_bytes, *least)) for free, total in rooms]
    free, total, enough = min(limited, key=lambda room: room[0] / room[2])
    values |= {"free_bytes": free, "total_bytes": total, "limit_free_bytes": round(enough)}
    days = min(room[0] for room in rooms) / growth if growth is not None and growth > 0.0 else None
    if days is not None:
        values |= {"days_until_full": days, "limit_days": settings.store_days}
    # What stands is eased only when there is clearly more room again.
    listed = alarm.severity if alarm is not None else Severity.CLEARED

    def below(limit: float, severity: Severity, value: float) -> bool:
        return value < limit * (STORE_EASED if listed >= severity else 1.0)

    if below(enough / STORE_CRITICAL, Severity.CRITICAL, free):
        return Found(Severity.CRITICAL, values)
    if below(enough, Severity.MAJOR, free):
        return Found(Severity.MAJOR, values)
    if days is not None and below(settings.store_days, Severity.WARNING, days):
        return Found(Severity.WARNING, values)
    return Found(Severity.CLEARED, values)


def _job(look: Look, job: JobLook, settings: WatchmanSettings) -> Found:
    values: dict[str, Value] = {"interval_s": job.interval_s}
    if job.ended_us is not None and not job.succeeded:
        return Found(Severity.MINOR, values | {"failed_us": job.ended_us, "why": job.detail})
    age_s = max(0.0, _age_s(job.ended_us, look))
    late_s = max(settings.job_late_share * job.interval_s, JOB_LATE_LEAST_S)
    if job.ended_us is not None:
        values |= {"succeeded_us": job.ended_us}
    return Found(_late(age_s, look.running_s, late_s, np.inf), values | {"late_s": age_s})


def _channel(look: Look, channel: ChannelLook, settings: WatchmanSettings) -> Found:
    values: dict[str, Value] = {"dead": channel.dead, "waiting": channel.waiting}
    severity: Severity | None = Severity.CLEARED
    if channel.oldest_us is not None:
        age_s = max(0.0, _age_s(channel.oldest_us, look))
        values["waiting_s"] = age_s
        late_s = settings.channel_late_s
        severity = _late(age_s, look.running_s, late_s, CHANNEL_MAJOR * late_s)
    if channel.dead and (severity is None or severity < Severity.MINOR):
        severity = Severity.MINOR
    if channel.error:
        values["why"] = f"the last try failed: {channel.error}"
    return Found(severity, values)


# Growth -------------------------------------------------------------------------------------------------


def growth_bytes_a_day(samples: Sequence[tuple[int, int]]) -> float | None:
    """What the store grows by, from its sizes: the median slope of all pairs of hours of the last week [B/d].

    The median leaves a purge or an import of one night without weight.

    Args:
        samples: time [Unix microseconds] and size [B], in any order; of one hour the last counts.

    Returns:
        None where less than a day has been seen. Below 0 where it shrinks.
    """
    by_hour = {time_us // _HOUR_US: size for time_us, size in sorted(samples)}
    if not by_hour:
        return None
    last = max(by_hour)
    recent = {hour: size for hour, size in by_hour.items() if hour > last - GROWTH_HOURS}
    first = min(recent)
    if last - first < GROWTH_LEAST_HOURS or len(recent) < GROWTH_LEAST_KNOWN:
        return None
    levels = np.full((1, last - first + 1), np.nan)
    for hour, size in recent.items():
        levels[0, hour - first] = size
    return 24.0 * float(theil_sen_slope(levels)[0])
