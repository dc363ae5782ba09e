"""Alarms as the desk sees them: what each one does, and what people have done with it, at one moment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from standingwatch.alarms.handling import UNTOUCHED, Handling, OperatorState, put_on_shelf, take_off_shelf
from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.alarms.shelving import Shelf, Window, shelf_of, work_of
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.alarming import StandingAlarm, standing_alarms
from standingwatch.store.desk_pages import ended_alarms, ended_and_open
from standingwatch.store.handling import load_handlings, load_shelves, load_windows
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
        self._handlings = load_handlings(connection)
        self.shelves = load_shelves(connection)
        self._windows = [
            entered.window for entered in load_windows(connection, now_us - roster.after_work_us)
        ]

    def sees(self, alarms: Iterable[StandingAlarm]) -> list[DeskAlarm]:
        """Alarms as the desk sees them, in their order."""
        return [self._of(one) for one in alarms]

    def shelf_of(self, alarm: Alarm) -> Shelf | None:
        """The shelf that an alarm lies on; None for none."""
        return shelf_of(alarm, self._region_of(alarm.key), self.shelves, self._now_us)

    def _region_of(self, key: AlarmKey) -> str:
        return key.region or self._roster.region_of_site.get(key.site, "")

    def _of(self, one: StandingAlarm) -> DeskAlarm:
        handling = self._handlings.get(one.alarm.key, UNTOUCHED)
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
        """Whether it keeps an alarm by its operator state."""
        match self.state:
            case "unacknowledged":
                return one.handling.state in (OperatorState.NONE, OperatorState.UN_SHELVED)
            case "acknowledged":
                return one.handling.state in (OperatorState.ACK, OperatorState.CLOSED)
            case "shelved":
                return one.handling.is_shelved
            case "ended":
                return one.handling.before_shelf is not OperatorState.CLOSED
            case "closed":
                return one.handling.before_shelf is OperatorState.CLOSED
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
    """All alarms that a choice keeps, gravest first, then the newest; ended ones newest first.

    Args:
        connection: one reading transaction.
        roster: the watched transmitters.
        now_us: now [Unix microseconds].
        choice: which ones; its page does not matter.
    """
    found = ended_alarms(connection) if choice.is_about_ended else standing_alarms(connection)
    return _chosen(Desk(connection, roster, now_us).sees(found), roster, choice)


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
    found = desk.sees(ended_alarms(connection)) if choice.is_about_ended else standing
    chosen = _chosen(found, roster, choice)
    shelved: list[DeskAlarm] = []
    if not choice.is_about_ended and choice.state != "shelved":
        shelved = [one for one in chosen if one.handling.is_shelved]
        chosen = [one for one in chosen if not one.handling.is_shelved]
    pages = max(1, -(-len(chosen) // ALARMS_A_PAGE))
    page = min(choice.page, pages)
    return AlarmList(
        choice=AlarmChoice(choice.severity, choice.region, choice.condition, choice.state, choice.text, page),
        alarms=tuple(chosen[(page - 1) * ALARMS_A_PAGE : page * ALARMS_A_PAGE]),
        chosen=len(chosen),
        pages=pages,
        shelved=tuple(shelved[:ALARMS_A_PAGE]),
        shelved_count=len(shelved),
        unseen=sum(not one.is_quiet for one in standing),
        ended=ended_and_open(connection),
    )
