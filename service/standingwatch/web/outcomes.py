"""What came of a form, kept until the page that follows has told it (after a form the browser is sent on).

It is kept in the store: where several processes serve the pages, another one may be asked for the page that
follows.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Self

from sqlalchemy import delete
from sqlalchemy.exc import SQLAlchemyError

from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.passing import tell
from standingwatch.store.watchman import load_note, save_note

log = logging.getLogger(__name__)

#: How long an outcome is kept [us]: a page that is loaded again later tells nothing of the form before it.
KEPT_US = 3_600_000_000

#: What the names of their notes begin with; a time of this many digits follows, so that old ones are a range.
_PREFIX, _DIGITS = "outcome ", 20


@dataclass(frozen=True)
class Outcome:
    """What came of a form.

    Attributes:
        title: what was done, in a few words.
        done: what it was done to, each with a few words.
        refused: what it was not done to, each with the reason.
        problems: what was wrong with the form as a whole.
    """

    title: str
    done: tuple[str, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        """Whether all of it was done."""
        return not self.refused and not self.problems

    @classmethod
    def from_note(cls, note: Mapping[str, Any]) -> Self:
        """The outcome of a note's JSON, which has lists for tuples."""
        refused = tuple((what, why) for what, why in note["refused"])
        return cls(note["title"], tuple(note["done"]), refused, tuple(note["problems"]))


class Outcomes:
    """Outcomes by a name that nobody can guess.

    Args:
        store: where they are kept.
        clock: now [Unix microseconds].
    """

    def __init__(self, store: Store, clock: Callable[[], int]) -> None:
        self._store, self._clock = store, clock

    def keep(self, outcome: Outcome) -> str:
        """Keep an outcome; returns its name, "" where the store could not take it."""
        now_us = self._clock()
        name = f"{now_us:0{_DIGITS}d}{secrets.token_urlsafe(9)}"
        column = tables.notes.c.name
        before = f"{_PREFIX}{max(0, now_us - KEPT_US):0{_DIGITS}d}"
        try:
            with self._store.writing() as connection:
                connection.execute(delete(tables.notes).where(column.between(_PREFIX, before)))
                save_note(connection, _PREFIX + name, asdict(outcome))
        except SQLAlchemyError as error:
            # What was done is done; the page that shows it is not held back.
            tell(log, error, "web: the outcome of a form cannot be kept: %s", outcome.title)
            return ""
        return name

    def get(self, name: str) -> Outcome | None:
        """The outcome of a name; None where there is none any more."""
        if not name:
            return None
        with self._store.reading() as connection:
            note = load_note(connection, _PREFIX + name)
        return None if note is None else Outcome.from_note(note)
