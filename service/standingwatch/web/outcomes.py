"""What came of a form, kept until the page that follows has told it (after a form the browser is sent on)."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass

#: So many are kept; the oldest go first.
MOST_KEPT = 500


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


class Outcomes:
    """Outcomes by a name that nobody can guess; kept in memory, so that a restart forgets them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, Outcome] = OrderedDict()

    def keep(self, outcome: Outcome) -> str:
        """Keep an outcome; returns its name."""
        name = secrets.token_urlsafe(9)
        with self._lock:
            self._kept[name] = outcome
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return name

    def get(self, name: str) -> Outcome | None:
        """The outcome of a name; None where there is none any more."""
        with self._lock:
            return self._kept.get(name)
