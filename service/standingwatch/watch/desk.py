"""The desk: what people have done with alarms, and what channels are told, in the watch's transaction.

Decided in memory (`plan`) and kept in the store (`keep`) with the changes that it follows from. After a
failure the desk is thrown away with the rest of the watch's memory and read from the store again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from sqlalchemy import Connection

from standingwatch.alarms.handling import (
    UNTOUCHED,
    Handling,
    HandlingChange,
    OperatorState,
    after_change,
    put_on_shelf,
    take_off_shelf,
)
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change
from standingwatch.alarms.message import common_key, notice_event
from standingwatch.alarms.notice import ChannelRules, Notice, NoticeKind, TellingSettings, Told
from standingwatch.alarms.shelving import Shelf, Window, shelf_of, work_of
from standingwatch.alarms.telling import TEN_MINUTES_US, ChannelState, Teller, View
from standingwatch.store.desk_mark import lock_desk
from standingwatch.store.handling import (
    desk_version,
    load_handling,
    load_handlings,
    load_shelves,
    save_handlings,
)
from standingwatch.store.outbox import NewMessage, Subject, add_messages, made_since
from standingwatch.store.telling import load_told, raised_since, save_told
from standingwatch.store.windows import load_windows

#: How often what waits is looked at when no alarm changes [us].
LOOK_EVERY_US = 1_000_000

#: What an act of the desk makes of what was done with an alarm so far; None for nothing.
Follow = Callable[[Handling], tuple[Handling, HandlingChange] | None]


@dataclass(frozen=True)
class DeskOptions:
    """What the desk needs of the settings.

    Attributes:
        rules: the channels.
        pace: when they are told.
        source: the CloudEvents `source` of this service.
        after_work_us: how long after its end a window of work still explains an alarm [us].
    """

    rules: tuple[ChannelRules, ...] = ()
    pace: TellingSettings = field(default_factory=TellingSettings)
    source: str = "urn:standingwatch"
    after_work_us: int = 600_000_000


@dataclass
class Plan:
    """What is to be kept: notifications, what channels believe, what follows for what people have done."""

    notices: list[Notice] = field(default_factory=list)
    told: list[tuple[str, AlarmKey, Told | None]] = field(default_factory=list)
    follows: list[tuple[AlarmKey, Follow]] = field(default_factory=list)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to be kept."""
        return not (self.notices or self.told or self.follows)


class Desk:
    """What people and channels know of the alarms.

    Args:
        connection: a reading transaction.
        options: settings.
        alarms: the alarm list; the desk reads it and leaves it alone.
        region_of_site: region of each site.
        now_us: now [Unix microseconds].
        is_alone: whether no other desk tells the same channels of other alarms.
    """

    def __init__(
        self,
        connection: Connection,
        options: DeskOptions,
        alarms: Mapping[AlarmKey, Alarm],
        region_of_site: Mapping[str, str],
        now_us: int,
        *,
        is_alone: bool = True,
    ) -> None:
        self._options = options
        self._is_alone = is_alone
        self._counted_us = now_us
        self._alarms = alarms
        self._region_of_site = region_of_site
        since_us = now_us - TEN_MINUTES_US
        made, told = made_since(connection, since_us), load_told(connection)
        states = {}
        for rules in options.rules:
            state = ChannelState(told=told.get(rules.name, {}))
            # Several messages of one moment may be one notification; to count them all errs on the calm side.
            state.sent_us.extend(made.get(rules.name, []))
            states[rules.name] = state
        self.teller = Teller(options.rules, options.pace, states, raised_since(connection, since_us))
        believed = {key for state in states.values() for key in state.told}
        self.teller.look_at(
            (key for key, alarm in alarms.items() if not alarm.is_cleared or key in believed), now_us
        )
        self._version = -1
        self._handlings: dict[AlarmKey, Handling] = {}
        self._shelves: list[Shelf] = []
        self._windows: list[Window] = []
        self._planned_us = 0
        self.look(connection, now_us)

    def states(self) -> dict[OperatorState, int]:
        """How many alarms that stand are in each operator state."""
        counts = dict.fromkeys(OperatorState, 0)
        for key, alarm in self._alarms.items():
            if not alarm.is_cleared:
                counts[self._handlings.get(key, UNTOUCHED).state] += 1
        return counts

    def look(self, connection: Connection, now_us: int) -> None:
        """See what people have done since the last look, and what other desks have told."""
        if not self._is_alone and not 0 <= now_us - self._counted_us < LOOK_EVERY_US:
            self._counted_us, since_us = now_us, now_us - TEN_MINUTES_US
            self.teller.recount(made_since(connection, since_us), raised_since(connection, since_us))
        self._windows = [
            entered.window for entered in load_windows(connection, now_us - self._options.after_work_us)
        ]
        version = desk_version(connection)
        if version != self._version:
            self._version = version
            self._handlings = load_handlings(connection)
            self._shelves = load_shelves(connection)
            self._planned_us = 0

    # Deciding -------------------------------------------------------------------------------------------

    def plan(self, changes: Sequence[Change], now_us: int) -> Plan:
        """What follows from changes of alarms, and from time that has gone by.

        Args:
            changes: changes of alarms that are in the alarm list already, in order.
            now_us: now [Unix microseconds].
        """
        if not changes and now_us < self._planned_us + LOOK_EVERY_US:
            return Plan()
        self._planned_us = now_us
        follows = self._follows(changes, now_us)
        view = View(
            self._alarms,
            self._region_of,
            lambda alarm: self._held(alarm, now_us),
            lambda key: self._handlings.get(key, UNTOUCHED).is_seen,
        )
        notices = self.teller.tell(changes, view, now_us)
        return Plan(notices, self.teller.take_told(), follows)

    def _follows(self, changes: Iterable[Change], now_us: int) -> list[tuple[AlarmKey, Follow]]:
        """What changes, and shelves that begin and end, do to what people have done."""
        follows: list[tuple[AlarmKey, Follow]] = [
            (change.alarm.key, partial(after_change, change=change)) for change in changes
        ]
        if self._shelves or any(h.is_shelved for h in self._handlings.values()):
            for key, alarm in self._alarms.items():
                shelf = shelf_of(alarm, self._region_of(key), self._shelves, now_us)
                shelved = self._handlings.get(key, UNTOUCHED).is_shelved
                if shelf is not None and not alarm.is_cleared and not shelved:
                    reason = f"{shelf.reason} (shelf {shelf.number}, by {shelf.by})"
                    follows.append((key, partial(put_on_shelf, reason=reason, now_us=now_us)))
                elif shelf is None and shelved:
                    reason = "no shelf takes it any more"
                    follows.append((key, partial(take_off_shelf, reason=reason, now_us=now_us)))
        kept = []
        for key, follow in follows:
            outcome = follow(self._handlings.get(key, UNTOUCHED))
            if outcome is not None:
                self._handlings[key] = outcome[0]
                kept.append((key, follow))
        return kept

    def _held(self, alarm: Alarm, now_us: int) -> str:
        """Why nobody is told of an alarm for now."""
        if shelf_of(alarm, self._region_of(alarm.key), self._shelves, now_us) is not None:
            return "shelved"
        if work_of(alarm, self._windows, now_us, self._options.after_work_us) is not None:
            return "work"
        return ""

    def _region_of(self, key: AlarmKey) -> str:
        return key.region or self._region_of_site.get(key.site, "")

    # Keeping --------------------------------------------------------------------------------------------

    def keep(self, connection: Connection, plan: Plan) -> None:
        """Keep a plan, in the transaction that keeps the changes that it follows from."""
        if plan.follows:
            lock_desk(connection)
        done = []
        latest: dict[AlarmKey, Handling] = {}
        for key, follow in plan.follows:
            # A person may have done something since the last look: what is kept counts.
            before = latest.get(key) or load_handling(connection, key)
            outcome = follow(before)
            if outcome is not None:
                latest[key] = outcome[0]
                done.append((key, *outcome))
        save_handlings(connection, done)
        save_told(connection, plan.told)
        add_messages(connection, [self._message(notice) for notice in plan.notices])

    def _message(self, notice: Notice) -> NewMessage:
        event = notice_event(notice, self._options.source)
        if notice.kind is NoticeKind.SUMMARY:
            site, transmitter, region, service = common_key(notice.alarms)
            about = Subject(site, transmitter, "", region, service)
        else:
            about = Subject.of(notice.alarms[0].key)
        body = json.dumps(event, allow_nan=False)
        return NewMessage(notice.channel, event["id"], about, notice.now_us, body)
