"""Between what detectors find and the alarm list: delays, and alarms that come and go held as one.

A condition that has just begun may be made to last for a while before its alarm is raised (on-delay), and
one that has ended to stay away before the alarm is cleared (off-delay): ANSI/ISA-18.2 and IEC 62682 name
both as the ways to keep an alarm from chattering. One that is raised again and again within a window
chatters all the same: from then on it stands as one alarm, marked so, until it has been quiet for a time.

What reports of long ago show is waited with until they pause: further ones may end it, and then it is history
and no news. Both its beginning and its end are in the list of changes, at the times that they were true.

An alarm that was waited with says when it was true, not when the waiting was over. All of it is a function
of what was found and when it was true, so that live and replay agree: an end counts as lasting when no later
finding can contradict it, which is once the hours before it are closed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, MutableMapping
from dataclasses import dataclass, field, replace

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.detect.words import SERVICE_CONDITIONS, Condition, Severity

#: Conditions that are judged by the intake's horizon alone; the others also by hours when those have closed.
BY_HORIZON = frozenset({Condition.REPORTS_MISSING, Condition.SITE_UNREACHABLE})


#: How long conditions that readings judge one by one stay away before their alarm is cleared [us]. Those that
#: are judged by days are steady by themselves (common practice, no source).
OFF_DELAY_US = dict.fromkeys(
    (
        Condition.SWR_HIGH,
        Condition.SWR_STEP,
        Condition.FOLDBACK_ACTIVE,
        Condition.REPORTS_MISSING,
        Condition.SITE_UNREACHABLE,
    ),
    600_000_000,
)


@dataclass(frozen=True)
class SteadySettings:
    """How long is waited, and what chatters. Common practice, no source, but where it says otherwise.

    Attributes:
        on_delay_us: how long a condition lasts before its alarm is raised [us]; 0 where it is not named.
        off_delay_us: how long it stays away before the alarm is cleared [us]; likewise.
        chatter_raises: so many beginnings within the window make an alarm that chatters. Three is the
            working rule of the trade's standards' readers; theirs is within a minute, for plants that are
            read every second.
        chatter_window_us: that window [us].
        chatter_quiet_us: how long one that chatters stays away before it is cleared [us].
    """

    on_delay_us: Mapping[Condition, int] = field(default_factory=dict)
    off_delay_us: Mapping[Condition, int] = field(default_factory=lambda: dict(OFF_DELAY_US))
    chatter_raises: int = 3
    chatter_window_us: int = 3_600_000_000
    chatter_quiet_us: int = 3_600_000_000


@dataclass(frozen=True)
class Delay:
    """What is waited for about one alarm.

    Attributes:
        waiting: the evidence that does not count yet; None for none.
        due_us: when it counts, if nothing contradicts it before [Unix microseconds].
        begins_us: the last times that the condition began, waited for or not [Unix microseconds].
        chatters: whether it comes and goes.
    """

    waiting: Evidence | None = None
    due_us: int = 0
    begins_us: tuple[int, ...] = ()
    chatters: bool = False

    @property
    def begins_late(self) -> bool:
        """Whether it waits to be raised for what late reports have shown."""
        waiting = self.waiting
        return waiting is not None and waiting.is_late and waiting.severity is not Severity.CLEARED

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to remember."""
        return self.waiting is None and not self.begins_us and not self.chatters


NOTHING = Delay()


@dataclass
class Advance:
    """What pieces of evidence did: changes in order, and the alarms whose delays are others now."""

    changes: list[Change] = field(default_factory=list)
    touched: set[AlarmKey] = field(default_factory=set)


def advance(
    alarms: MutableMapping[AlarmKey, Alarm],
    delays: MutableMapping[AlarmKey, Delay],
    evidence: Iterable[Evidence],
    settings: SteadySettings,
    *,
    until_us: int,
    closed_us: int,
    noted_us: int,
    late_pause_us: int = 0,
    late_sites: Collection[str] = (),
) -> Advance:
    """Let evidence count, now or later; `alarms` and `delays` are brought up to date.

    Args:
        alarms: the alarm list.
        delays: what is waited for; a key that is not there has nothing.
        evidence: in order of time.
        settings: how long is waited.
        until_us: up to when all that was sent has been seen [Unix microseconds].
        closed_us: up to when hours are closed [Unix microseconds].
        noted_us: now [Unix microseconds].
        late_pause_us: how long late reports have to pause before what they show counts [us].
        late_sites: sites that late reports have come from now.
    """
    result = Advance()

    def keep(key: AlarmKey, delay: Delay) -> None:
        if delay != delays.get(key, NOTHING):
            result.touched.add(key)
            if delay.is_empty:
                delays.pop(key, None)
            else:
                delays[key] = delay

    def count(piece: Evidence) -> None:
        change = apply(alarms.get(piece.key), piece, noted_us)
        if change is not None:
            alarms[piece.key] = change.alarm
            result.changes.append(change)

    for piece in evidence:
        delay = delays.get(piece.key, NOTHING)
        if delay.waiting is not None and not delay.begins_late and delay.due_us <= piece.time_us:
            count(delay.waiting)
            delay = _over(delay)
        alarm = alarms.get(piece.key)
        stands = alarm is not None and not alarm.is_cleared
        if delay.waiting is not None and delay.begins_late and not piece.is_late:
            # What comes in time speaks for the present; what the late ones showed was true before it.
            count(delay.waiting)
            delay, stands = replace(delay, waiting=None, due_us=0), True
        if not stands and piece.is_late:
            for now in _of_old(piece, delay):
                count(now)
            waits = piece.severity is not Severity.CLEARED
            since = delay.waiting.time_us if delay.waiting is not None else piece.time_us
            waiting = replace(piece, time_us=since) if waits else None
            keep(piece.key, replace(delay, waiting=waiting, due_us=noted_us + late_pause_us if waits else 0))
            continue
        step = _end if piece.severity is Severity.CLEARED else _beginning
        now_counts, delay = step(piece, delay, stands, settings)
        if now_counts is not None:
            count(now_counts)
        keep(piece.key, delay)

    for key, delay in list(delays.items()):
        if delay.begins_late and key.site in late_sites:
            keep(key, replace(delay, due_us=noted_us + late_pause_us))
    due = sorted((d.due_us, key) for key, d in delays.items() if d.waiting is not None)
    for due_us, key in due:
        delay = delays[key]
        if delay.waiting is None:
            continue
        known_us = noted_us if delay.begins_late else _known_us(delay.waiting, until_us, closed_us, noted_us)
        if due_us <= known_us:
            count(delay.waiting)
            keep(key, _over(delay))
    return result


def _known_us(waiting: Evidence, until_us: int, closed_us: int, noted_us: int) -> int:
    """Up to when no finding can come any more that contradicts what waits [Unix microseconds]."""
    if waiting.key.condition in SERVICE_CONDITIONS:
        return noted_us
    # A raise is not kept back for the hour to close: it would only be later.
    if waiting.severity is not Severity.CLEARED or waiting.key.condition in BY_HORIZON:
        return until_us
    return closed_us


def _of_old(piece: Evidence, delay: Delay) -> tuple[Evidence, ...]:
    """What a further late piece about an alarm that does not stand lets count: a whole beginning and end."""
    if piece.severity is Severity.CLEARED and delay.waiting is not None:
        return delay.waiting, piece
    return ()


def _over(delay: Delay) -> Delay:
    """The delay after what waited has counted; an alarm that was cleared at last has stopped to chatter."""
    if delay.waiting is not None and delay.waiting.severity is Severity.CLEARED:
        return NOTHING if delay.chatters else replace(delay, waiting=None, due_us=0)
    return replace(delay, waiting=None, due_us=0)


def _end(
    piece: Evidence, delay: Delay, stands: bool, settings: SteadySettings
) -> tuple[Evidence | None, Delay]:
    """What the end of a condition does: what counts now, and what is waited for."""
    waits_to_end = delay.waiting is not None and delay.waiting.severity is Severity.CLEARED
    if piece.is_final:
        return (piece if stands else None), NOTHING
    if not stands:
        # It was not there for long enough to be told.
        return None, replace(delay, waiting=None, due_us=0)
    if waits_to_end:
        return None, delay
    if delay.chatters:
        wait_us = settings.chatter_quiet_us
    else:
        wait_us = settings.off_delay_us.get(piece.key.condition, 0)
    if wait_us <= 0:
        return piece, delay
    return None, replace(delay, waiting=piece, due_us=piece.time_us + wait_us)


def _beginning(
    piece: Evidence, delay: Delay, stands: bool, settings: SteadySettings
) -> tuple[Evidence | None, Delay]:
    """What a condition that begins or changes does: what counts now, and what is waited for."""
    waiting = delay.waiting
    begins = waiting.severity is Severity.CLEARED if waiting is not None else not stands
    if begins:
        times = (*delay.begins_us, piece.time_us)[-settings.chatter_raises :]
        full = len(times) == settings.chatter_raises
        within = full and times[-1] - times[0] <= settings.chatter_window_us
        delay = replace(delay, begins_us=times, chatters=delay.chatters or within)
    piece = replace(piece, chatters=delay.chatters)
    if stands:
        return piece, replace(delay, waiting=None, due_us=0)
    wait_us = settings.on_delay_us.get(piece.key.condition, 0)
    if waiting is not None:
        # It has been true since it began, however bad it is by now.
        return None, replace(delay, waiting=replace(piece, time_us=waiting.time_us))
    if wait_us <= 0:
        return piece, delay
    return None, replace(delay, waiting=piece, due_us=piece.time_us + wait_us)
