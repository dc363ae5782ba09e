"""The campaign: one fault after another, a look after each, and a reckoning at the end."""

from __future__ import annotations

import re
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from fault_campaign import of_brokers, of_processes, of_stores
from fault_campaign.checks import (
    Mark,
    Row,
    Told,
    check_readings,
    check_told,
    delivered_between,
    drained,
    file_events,
    history,
    not_done,
    noted_alarms,
    replayed_alarms,
)
from fault_campaign.kinds import ALARM, ENDED, KINDS, LOG, NO_ANSWER, NOT_READY, WATCHDOG, Kind
from fault_campaign.waits import becomes, must_become
from fault_campaign.world import World, wait_a_while

__all__ = ["KINDS", "Fault", "Reckoning", "of_brokers", "of_processes", "of_stores", "run"]

#: Longest wait for an alarm that tells of a fault, after the daemon is back [s]: it looks every 5 s.
ALARM_WAIT_S = 8.0


@dataclass
class Fault:
    """What came of one fault.

    Attributes:
        back_s: from its end until all that had been accepted by then was stored, judged and told [s]; None
            where that did not come about in time.
        lost: accepted reports that are not in the store.
        with_broker: those that a broker lost which was killed before it had handed them over.
        told: ways by which the operator was told.
        is_told: whether one of those that count is among them, or none is asked for.
        tracebacks: in the daemon's log.
        why: what else is wrong.
    """

    kind: str
    back_s: float | None = None
    lost: int = 0
    with_broker: int = 0
    strange: int = 0
    told: set[str] = field(default_factory=set)
    is_told: bool = True
    tracebacks: int = 0
    why: str = ""

    @property
    def is_well(self) -> bool:
        """Whether all is as it has to be."""
        return self.back_s is not None and self.is_told and not (self.lost or self.strange or self.tracebacks)


@dataclass
class Reckoning:
    """What came of the whole."""

    faults: list[Fault] = field(default_factory=list)
    cannot: dict[str, str] = field(default_factory=dict)
    reports: int = 0
    lost: int = 0
    with_broker: int = 0
    strange: int = 0
    refused: int = 0
    only_live: list[Row] = field(default_factory=list)
    only_replayed: list[Row] = field(default_factory=list)
    told: dict[str, Told] = field(default_factory=dict)
    still_wrong: list[str] = field(default_factory=list)
    tracebacks: int = 0
    for_nobody: int = 0
    ends: list[int] = field(default_factory=list)
    alarms: int = 0

    @property
    def is_well(self) -> bool:
        """Whether nothing was lost, doubled or wrong, and all came back and was told."""
        return (
            all(fault.is_well for fault in self.faults)
            and not (self.lost or self.strange or self.refused or self.tracebacks)
            and not (self.only_live or self.only_replayed or self.still_wrong)
            and not any(t.missing or t.out_of_order or t.two_ids for t in self.told.values())
            and not self.told["file"].repeated
        )


class _Monitor:
    """Asks the daemon whether it is ready, without a pause."""

    def __init__(self, world: World) -> None:
        self._world, self._ended = world, threading.Event()
        self.seen: list[tuple[float, bool, str]] = []
        self._thread = threading.Thread(target=self._run, name="monitor", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended.wait(0.3):
            ready, why = self._world.daemon.ready()
            self.seen.append((time.monotonic(), ready, why))

    def close(self) -> None:
        self._ended.set()
        self._thread.join(10)


def _now_us() -> int:
    return time.time_ns() // 1000


class Campaign:
    """Plants faults in a world that runs."""

    def __init__(self, world: World, patience: float) -> None:
        self.world, self._patience = world, patience
        self.monitor = _Monitor(world)
        self._checked_us = 0
        #: When a broker lost its memory, by the clock: from shortly before until it was there again.
        self.spans_us: list[tuple[int, int]] = []
        self._with_broker: set[Any] = set()
        self._log_seen = 0
        self._events_seen = 0

    def close(self) -> None:
        self.monitor.close()

    def plant(self, kind: Kind) -> Fault:
        """Plant a fault, and see what comes of it."""
        world, fault = self.world, Fault(kind.name)
        self._log_seen, self._events_seen = self._log_size(), len(file_events(world))
        begin, begin_us, starved = time.monotonic(), _now_us(), world.daemon.starved
        fault.told |= kind.plant(world) or set()
        world.mend()
        lifted = time.monotonic()
        if kind.takes_memory:
            self.spans_us.append((begin_us - 3_000_000, _now_us() + 3_000_000))
        # What a broker that was killed had taken over and not handed on is not the daemon's to store.
        mark = Mark(frozenset(self._owed(world.sites.accepted_until(lifted))), self._checked_us, _now_us())
        if becomes(lambda: not not_done(world, mark), kind.back_s * self._patience, 0.1):
            fault.back_s = time.monotonic() - lifted
        else:
            fault.why = f"not back: {not_done(world, mark)}"
        self._see_what_was_told(kind, fault, begin, starved)
        self._check(fault, begin_us)
        return fault

    def _owed(self, accepted: set[Any]) -> set[Any]:
        return {
            key
            for key in accepted
            if key[2] >= self._checked_us
            and key not in self._with_broker
            and not any(begin <= key[2] <= end for begin, end in self.spans_us)
        }

    def _check(self, fault: Fault, begin_us: int) -> None:
        world = self.world
        accepted = world.sites.accepted_until(time.monotonic() - 3.0)
        found = check_readings(world, accepted - self._with_broker, self._checked_us)
        lost = set(found.lost)
        if lost:  # what is under way may still come
            becomes(lambda: not (lost - self._stored(min(key[2] for key in lost))), 10, 0.3)
            lost -= self._stored(min(key[2] for key in lost))
        memory = {k for k in lost if any(a <= k[2] <= b for a, b in self.spans_us)}
        self._with_broker |= memory
        fault.lost, fault.with_broker = len(lost - memory), len(memory)
        fault.strange = len(found.strange)
        log = world.daemon.log.read_bytes()[self._log_seen :].decode(errors="replace")
        fault.tracebacks = log.count("Traceback (most recent call last)")
        self._checked_us = max(self._checked_us, begin_us - 20_000_000)

    def _stored(self, since_us: int) -> set[Any]:
        from fault_campaign.checks import stored_readings

        with self.world.look().connect() as connection:
            return set(stored_readings(connection, since_us))

    def _log_size(self) -> int:
        return self.world.daemon.log.stat().st_size

    # Told -------------------------------------------------------------------------------------------------

    def _see_what_was_told(self, kind: Kind, fault: Fault, begin: float, starved: int) -> None:
        self._note_told(kind, fault, begin, starved)
        wanted = kind.told_by
        if wanted and not wanted & fault.told and ALARM in wanted:
            becomes(lambda: self._alarm_told(kind), ALARM_WAIT_S * self._patience, 0.3)
            self._note_told(kind, fault, begin, starved)
        fault.is_told = not wanted or bool(wanted & fault.told)

    def _alarm_told(self, kind: Kind) -> bool:
        """Whether an alarm of the kind's conditions was told, or stands: it is not told anew then."""
        standing: dict[tuple[str, str], bool] = {}
        told = False
        for place, event in enumerate(file_events(self.world)):
            data = event["data"]
            if data.get("condition") in kind.conditions:
                about = (data["condition"], data.get("service") or "")
                standing[about] = not event["type"].endswith(".cleared")
                told |= place >= self._events_seen
        return told or any(standing.values())

    def _note_told(self, kind: Kind, fault: Fault, begin: float, starved: int) -> None:
        world = self.world
        for when, ready, why in list(self.monitor.seen):
            if when >= begin and not ready:
                fault.told.add(NO_ANSWER if why.startswith("no answer") else NOT_READY)
        if any(when >= begin and "ended" in beat for when, beat in list(world.listener.beats)):
            fault.told.add(ENDED)
        if any(when >= begin and beat.get("ready") is False for when, beat in list(world.listener.beats)):
            fault.told.add(NOT_READY)
        if self._alarm_told(kind):
            fault.told.add(ALARM)
        if world.daemon.starved > starved:
            fault.told.add(WATCHDOG)
        log = world.daemon.log.read_bytes()[self._log_seen :].decode(errors="replace")
        if any(words in log for words in kind.log):
            fault.told.add(LOG)

    # The end ----------------------------------------------------------------------------------------------

    def reckon(self, reckoning: Reckoning) -> None:
        """Let all come to rest, and hold everything to everything."""
        world = self.world
        world.sites.rest()
        must_become(lambda: world.sites.idle, 60, "the broker accepts what was made")
        time.sleep(2.0)
        if not becomes(lambda: drained(world), 90 * self._patience, 0.3):
            reckoning.still_wrong.append(f"not drained: {world.daemon.ready()}")
        time.sleep(1.5)
        found = check_readings(world, set(world.sites.accepted))
        memory = {k for k in found.lost if any(a <= k[2] <= b for a, b in self.spans_us)}
        reckoning.reports = len(world.sites.accepted)
        reckoning.lost, reckoning.with_broker = len(found.lost - memory), len(memory)
        reckoning.strange, reckoning.refused = len(found.strange), found.refused
        reckoning.for_nobody = world.sites.for_nobody
        with world.look().connect() as connection:
            changes, live = history(connection), noted_alarms(connection)
            excused = delivered_between(connection, "mqtt", self.spans_us)
        replayed = replayed_alarms(world)
        reckoning.alarms = len(live)
        reckoning.only_live = sorted(set(live) - set(replayed))
        reckoning.only_replayed = sorted(set(replayed) - set(live))
        if len(live) != len(set(live)):
            reckoning.still_wrong.append("an alarm change stands twice in the history")
        heard = {
            "mqtt": [event for _, event in world.listener.heard.events],
            "webhook": [event for _, event in world.receiver.heard.events],
            "file": file_events(world),
        }
        for channel, events in heard.items():
            reckoning.told[channel] = check_told(changes, events, excused if channel == "mqtt" else ())
        if self._standing(live) != self._present():
            reckoning.still_wrong.append("the retained alarms are not those that stand")
        text = world.daemon.log.read_text(errors="replace")
        reckoning.tracebacks = len(re.findall(r"^Traceback \(most recent", text, re.M))
        reckoning.ends = world.daemon.ends

    @staticmethod
    def _standing(live: Sequence[Row]) -> set[tuple[str, str, str]]:
        last: dict[tuple[str, str, str], tuple[int, str]] = {}
        for site, transmitter, condition, severity, time_us in live:
            key = (site, transmitter, condition)
            if time_us >= last.get(key, (0, ""))[0]:
                last[key] = (time_us, severity)
        return {key for key, (_, severity) in last.items() if severity != "cleared"}

    def _present(self) -> set[tuple[str, str, str]]:
        return {
            (one.get("site") or "", one.get("transmitter") or "", one["condition"])
            for alarms in self.world.listener.present.values()
            for one in alarms
        }


def run(
    world: World,
    names: Sequence[str],
    say: Callable[[str], None],
    *,
    gap_s: tuple[float, float] = (0.3, 2.0),
    patience: float = 1.0,
    minutes: float = float("inf"),
) -> Reckoning:
    """Plant faults of these kinds in this order, and reckon.

    Args:
        world: where.
        names: of the kinds.
        say: told of each fault.
        gap_s: shortest and longest pause before a fault [s].
        patience: how many times as long as stated being back may take, on a machine that has other work.
        minutes: plant no more after so long [min].
    """
    reckoning, campaign = Reckoning(), Campaign(world, patience)
    end = time.monotonic() + 60 * minutes
    try:
        for i, name in enumerate(names):
            if time.monotonic() > end:
                break
            wait_a_while(world.rng, *gap_s)
            begin = time.monotonic()
            try:
                fault = campaign.plant(KINDS[name])
            except Exception as error:  # noqa: BLE001  # a part of ours has failed: reckon what there is
                traceback.print_exc()
                reckoning.still_wrong.append(f"{name} could not be planted: {error}")
                break
            reckoning.faults.append(fault)
            back = "never" if fault.back_s is None else f"{fault.back_s:.1f} s"
            word = "well" if fault.is_well else "WRONG"
            say(
                f"{i + 1}/{len(names)} {name}: {word}, back after {back}, "
                f"took {time.monotonic() - begin:.0f} s, told by {', '.join(sorted(fault.told)) or 'nothing'}"
                + (
                    ""
                    if fault.is_well
                    else f"; lost {fault.lost}, strange {fault.strange}, tracebacks {fault.tracebacks}, "
                    f"told {fault.is_told}, {fault.why}"
                )
            )
        campaign.reckon(reckoning)
    finally:
        campaign.close()
    return reckoning
