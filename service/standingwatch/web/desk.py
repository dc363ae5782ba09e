"""Alarms as the desk sees them: what each one does, and what people have done with it, at one moment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from standingwatch.alarms.handling import UNTOUCHED, Handling, OperatorState, put_on_shelf, take_off_shelf
from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.alarms.shelving import Shelf, Window, shelf_of, work_of
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.alarming import StandingAlarm, standing_alarms
from standingwatch.store.ended import (
    EndedChoice,
    HandledAlarm,
    count_ended,
    ended_and_open,
    ended_page,
)
from standingwatch.store.handling import load_handlings, load_shelves
from standingwatch.store.windows import load_windows
from standingwatch.web import words
from standingwatch.web.roster import Roster

#: Alarms on one page of the list.
ALARMS_A_PAGE = 50

#: What a list can be narrowed to by operator state, with its words; "" is all that stand.
STATES = {
    "": "all that stand",
    "unacknowledged": "not acknowledged",
    "acknowledged": "acknowledged",
    "shelved": "shelved",
    "ended": "ended, not closed",
    "closed": "ended and closed",
}


@dataclass(frozen=True)
class DeskAlarm(StandingAlarm):
    """An alarm with what people have done with it.

    Attributes:
        region: of its site, or that it is about; "" for none.
        handling: what was done with it; its state follows the shelves as they are now, which the watch
            does too in its next pass.
        shelf: the shelf that it lies on; None for none.
        work: the window of work on record that explains it; None for none.
    """

    region: str = ""
    handling: Handling = UNTOUCHED
    shelf: Shelf | None = None
    work: Window | None = None

    @property
    def key(self) -> AlarmKey:
        """Its key."""
        return self.alarm.key

    @property
    def is_quiet(self) -> bool:
        """Whether somebody sees to it already: acknowledged, closed, or on a shelf."""
        return self.handling.is_shelved or self.handling.is_seen


class Desk:
    """What people have entered, as one transaction sees it, and alarms in its light.

    Args:
        connection: one reading transaction.
        roster: the watched transmitters.
        now_us: now [Unix microseconds].
    """

    def __init__(self, connection: Connection, roster: Roster, now_us: int) -> None:
        self._roster, self._now_us = roster, now_us
        self._handlings = load_handlings(connection, standing_only=True)
        self.shelves = load_shelves(connection)
        self._windows = [
            entered.window for entered in load_windows(connection, now_us - roster.after_work_us)
        ]

    def sees(self, alarms: Iterable[StandingAlarm]) -> list[DeskAlarm]:
        """Alarms that stand as the desk sees them, in their order."""
        return [self._of(one, self._handlings.get(one.alarm.key, UNTOUCHED)) for one in alarms]

    def sees_handled(self, alarms: Iterable[HandledAlarm]) -> list[DeskAlarm]:
        """Alarms that came with what was done with them, ended ones too, as the desk sees them."""
        return [self._of(one, one.handling) for one in alarms]

    def shelf_of(self, alarm: Alarm) -> Shelf | None:
        """The shelf that an alarm lies on; None for none."""
        return shelf_of(alarm, self._region_of(alarm.key), self.shelves, self._now_us)

    def _region_of(self, key: AlarmKey) -> str:
        return key.region or self._roster.region_of_site.get(key.site, "")

    def _of(self, one: StandingAlarm, handling: Handling) -> DeskAlarm:
        shelf = self.shelf_of(one.alarm)
        moved = (
            take_off_shelf(handling, "", self._now_us)
            if shelf is None
            else put_on_shelf(handling, "", self._now_us)
        )
        return DeskAlarm(
            one.alarm,
            one.text,
            self._region_of(one.alarm.key),
            handling if moved is None else moved[0],
            shelf,
            work_of(one.alarm, self._windows, self._now_us, self._roster.after_work_us),
        )


@dataclass(frozen=True)
class AlarmChoice:
    """Which alarms a person asks for.

    Attributes:
        severity: only those at least this grave; None for all.
        region: only those of this region; "" for all.
        condition: only this condition; None for all.
        state: a key of `STATES`.
        text: only those with this in a name or in their text; case does not matter; "" for all.
        page: counted from 1.
    """

    severity: Severity | None = None
    region: str = ""
    condition: Condition | None = None
    state: str = ""
    text: str = ""
    page: int = 1

    @property
    def narrows(self) -> bool:
        """Whether it leaves anything out that stands."""
        return bool(self.severity or self.region or self.condition or self.state or self.text)

    @property
    def is_about_ended(self) -> bool:
        """Whether it asks for alarms that have ended."""
        return self.state in ("ended", "closed")

    def keeps(self, one: DeskAlarm, title: str) -> bool:
        """Whether it keeps an alarm, its operator state apart; `title` is what people call the site."""
        key = one.alarm.key
        if self.severity is not None and one.alarm.severity < self.severity:
            return False
        if self.region and one.region != self.region:
            return False
        if self.condition is not None and key.condition is not self.condition:
            return False
        texts = (key.site, title, key.transmitter, one.region, key.service, key.condition.value)
        more = (words.condition(key.condition), one.handling.assigned_to, *one.alarm.members, one.text)
        return self.text.casefold() in "\n".join((*texts, *more)).casefold()

    def keeps_state(self, one: DeskAlarm) -> bool:
        """Whether it keeps a standing alarm by its operator state."""
        match self.state:
            case "unacknowledged":
                return one.handling.state in (OperatorState.NONE, OperatorState.UN_SHELVED)
            case "acknowledged":
                return one.handling.state in (OperatorState.ACK, OperatorState.CLOSED)
            case "shelved":
                return one.handling.is_shelved
        return True


@dataclass(frozen=True)
class AlarmList:
    """A page of the alarm list.

    Attributes:
        choice: what was asked for, the page no higher than there are.
        alarms: the chosen alarms of this page; shelved ones only where they were asked for.
        chosen: how many were chosen in all.
        pages: how many pages that is.
        shelved: chosen alarms that lie on a shelf, up to a page of them; empty where they were asked for.
        shelved_count: how many those are in all.
        unseen, ended: how many of all alarms nobody has acknowledged, and have ended without being closed.
    """

    choice: AlarmChoice
    alarms: tuple[DeskAlarm, ...]
    chosen: int
    pages: int
    shelved: tuple[DeskAlarm, ...]
    shelved_count: int
    unseen: int
    ended: int


def chosen_alarms(
    connection: Connection, roster: Roster, now_us: int, choice: AlarmChoice
) -> list[DeskAlarm]:
    """All standing alarms that a choice keeps, gravest first, then the newest.

    Args:
        connection: one reading transaction.
        roster: the watched transmitters.
        now_us: now [Unix microseconds].
        choice: which ones; its page does not matter. Pages of ended ones come from
            `store/ended.py`.
    """
    return _chosen(Desk(connection, roster, now_us).sees(standing_alarms(connection)), roster, choice)


def ended_choice(roster: Roster, choice: AlarmChoice) -> EndedChoice:
    """A choice of ended alarms as the store is asked for it."""
    text = choice.text.casefold()
    return EndedChoice(
        closed=choice.state == "closed",
        severity=choice.severity,
        condition=choice.condition,
        region=choice.region,
        sites_of_region=[site for site, region in roster.region_of_site.items() if region == choice.region]
        if choice.region
        else (),
        text=choice.text,
        sites_of_text=[site for site, told in roster.told_of_site.items() if text in told] if text else (),
        conditions_of_text=[one.value for one in Condition if text in words.condition(one).casefold()]
        if text
        else (),
    )


def _chosen(alarms: Sequence[DeskAlarm], roster: Roster, choice: AlarmChoice) -> list[DeskAlarm]:
    titles = roster.title_of_site
    return [
        one
        for one in alarms
        if choice.keeps_state(one) and choice.keeps(one, titles.get(one.alarm.key.site, ""))
    ]


def alarm_list(connection: Connection, roster: Roster, now_us: int, choice: AlarmChoice) -> AlarmList:
    """A page of the alarm list; arguments as those of `chosen_alarms`."""
    desk = Desk(connection, roster, now_us)
    standing = desk.sees(standing_alarms(connection))
    shown: list[DeskAlarm] = []
    shelved: list[DeskAlarm] = []
    if choice.is_about_ended:
        wanted = ended_choice(roster, choice)
        count = count_ended(connection, wanted)
    else:
        shown = _chosen(standing, roster, choice)
        if choice.state != "shelved":
            shelved = [one for one in shown if one.handling.is_shelved]
            shown = [one for one in shown if not one.handling.is_shelved]
        count = len(shown)
    pages = max(1, -(-count // ALARMS_A_PAGE))
    page = min(choice.page, pages)
    begin = (page - 1) * ALARMS_A_PAGE
    if choice.is_about_ended:
        alarms = desk.sees_handled(ended_page(connection, wanted, ALARMS_A_PAGE, offset=begin))
    else:
        alarms = shown[begin : begin + ALARMS_A_PAGE]
    return AlarmList(
        choice=replace(choice, page=page),
        alarms=tuple(alarms),
        chosen=count,
        pages=pages,
        shelved=tuple(shelved[:ALARMS_A_PAGE]),
        shelved_count=len(shelved),
        unseen=sum(not one.is_quiet for one in standing),
        ended=ended_and_open(connection),
    )
