"""What is new since somebody's last look at the board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import Request
from sqlalchemy import Connection

from standingwatch.store.looks import Course, Turn, courses_since, last_look, seen_until_us
from standingwatch.web.access import person

#: A look that is older than this counts as one of that time: what is older nobody calls new [us].
LONGEST_US = 30 * 86_400_000_000

#: Kinds of news in the order in which a page lists them, with their words.
TURN_WORDS = {
    Turn.NEW: "new",
    Turn.WORSE: "worse",
    Turn.BETTER: "better",
    Turn.CLEARED: "cleared",
    Turn.CAME_AND_WENT: "came and went",
    Turn.CHANGED: "changed, as grave as before",
}


@dataclass(frozen=True)
class Look:
    """What is new since a time.

    Attributes:
        by: who looks; "" for nobody in particular.
        since_us: the time [Unix microseconds]; None where this person has never looked.
        counts: how many alarms by what came of them.
        courses: the alarms, gravest first.
        until_us: up to when the page that shows this shows everything [Unix microseconds]: what the next look
            counts from.
    """

    by: str
    since_us: int | None
    counts: dict[Turn, int]
    courses: tuple[Course, ...]
    until_us: int


def looker(request: Request) -> str:
    """Who looks, by name; "" for nobody in particular, and where no sign-in is asked for."""
    found = person(request)
    return "" if found.kind == "anybody" else found.name


def look_of(connection: Connection, user: str, now_us: int) -> Look | None:
    """What is new since a person's last look; None for nobody.

    Args:
        connection: one reading transaction.
        user: who looks.
        now_us: now [Unix microseconds].
    """
    if not user:
        return None
    since_us = last_look(connection, user)
    if since_us is None:
        return _look(user, None, (), seen_until_us(connection, now_us))
    return look_since(connection, max(since_us, now_us - LONGEST_US), now_us, user)


def look_since(connection: Connection, since_us: int, now_us: int, user: str = "") -> Look:
    """What is new since a time [Unix microseconds]; other arguments as those of `look_of`."""
    courses = courses_since(connection, since_us)
    return _look(user, since_us, courses, seen_until_us(connection, now_us))


def _look(user: str, since_us: int | None, courses: Sequence[Course], until_us: int) -> Look:
    counts = {turn: sum(one.turn is turn for one in courses) for turn in Turn}
    return Look(user, since_us, counts, tuple(courses), until_us)
