"""The page of one alarm: how it stands, and what it and the desk did, beside each other in order of time."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection

from standingwatch.alarms.handling import HandlingChange
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.store.alarming import PastChange
from standingwatch.store.desk_pages import changes_of_alarm, handled_alarm
from standingwatch.store.handling import handling_history
from standingwatch.web.desk import Desk, DeskAlarm
from standingwatch.web.evidence import figures
from standingwatch.web.roster import Roster

#: So many of the alarm's own changes are shown, the newest.
CHANGES = 200


@dataclass(frozen=True)
class Moment:
    """One line of an alarm's story: what the alarm did, or what was done with it."""

    time_us: int
    change: PastChange | None = None
    handled: HandlingChange | None = None


@dataclass(frozen=True)
class AlarmView:
    """The page of one alarm.

    Attributes:
        one: the alarm.
        title: what people call its site; "" where it is about none.
        figures: the values behind it, with names and units.
        story: newest first; at most `CHANGES` changes of the alarm itself, and all that was done with it.
        cut: whether there are more changes than are shown.
    """

    one: DeskAlarm
    title: str
    figures: list[tuple[str, str]]
    story: tuple[Moment, ...]
    cut: bool


def alarm_view(connection: Connection, roster: Roster, now_us: int, key: AlarmKey) -> AlarmView | None:
    """The page of an alarm; None where there is none.

    Args:
        connection: one reading transaction.
        roster: the watched transmitters.
        now_us: now [Unix microseconds].
        key: which.
    """
    found = handled_alarm(connection, key)
    if found is None:
        return None
    changes = changes_of_alarm(connection, key, CHANGES + 1)
    shown = changes[:CHANGES]
    story = [Moment(change.time_us, change=change) for change in shown]
    story += [Moment(line.time_us, handled=line) for line in reversed(handling_history(connection, key))]
    # Sorting keeps the order of what came at one time: of both kinds the newest first.
    story.sort(key=lambda moment: -moment.time_us)
    return AlarmView(
        one=Desk(connection, roster, now_us).sees_handled([found])[0],
        title=roster.title_of_site.get(key.site, ""),
        figures=figures(found.alarm.values),
        story=tuple(story),
        cut=len(changes) > CHANGES,
    )
