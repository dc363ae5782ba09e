"""Which errors pass: about the state of the database or the machine, not about what was to be done."""

from __future__ import annotations

import logging
import sqlite3
from types import TracebackType
from typing import Self

from sqlalchemy.exc import DBAPIError, OperationalError

#: How Python says that the machine gave no memory, or no number, for one more thread (Thread.start).
NO_THREAD = "can't start new thread"


def is_short_of_memory(error: BaseException) -> bool:
    """Whether the machine gave no more memory, or no more threads."""
    return isinstance(error, MemoryError) or (isinstance(error, RuntimeError) and str(error) == NO_THREAD)


def is_passing(error: BaseException) -> bool:
    """Whether the same work may pass later: the database is away, locked or full, or memory was short."""
    if is_short_of_memory(error):
        return True
    if isinstance(error, OperationalError | sqlite3.OperationalError | OSError):
        return True
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        return True
    if _lost_its_partition(error):
        return True
    # psycopg is an optional part: known by its own name for the same thing.
    return any(
        cls.__module__.startswith("psycopg") and cls.__name__ == "OperationalError"
        for cls in type(error).__mro__
    )


def _lost_its_partition(error: BaseException) -> bool:
    """Whether a row waited to go to the rest of a table while a partition of its own was made.

    PostgreSQL refuses it (23514, `check_violation`); the next try finds the partition. Conditions of a table
    have names, what a partition asks for has none.
    """
    found = error.orig if isinstance(error, DBAPIError) else error
    diag = getattr(found, "diag", None)
    return getattr(found, "sqlstate", None) == "23514" and getattr(diag, "constraint_name", "") is None


def tell(log: logging.Logger, error: BaseException, text: str, *words: object) -> None:
    """Log that something failed: what passes in a line, all else with where it came from.

    Args:
        log: where to.
        error: what it failed by.
        text: what failed, with places for `words` as logging has them.
        words: for `text`.
    """
    if is_passing(error):
        log.error(f"{text}: %s", *words, " ".join(str(error).split()) or type(error).__name__)
    else:
        log.error(text, *words, exc_info=error)


class Attempt:
    """Work whose failure, whatever it is, must not end the thread that does it: it is told by `tell`.

    A mistake of ours counts too: to be deaf or still from then on would be worse.

    Args:
        log, text, words: as for `tell`.

    Attributes:
        error: what it failed by; None while it has not failed.
    """

    def __init__(self, log: logging.Logger, text: str, *words: object) -> None:
        self._log, self._text, self._words = log, text, words
        self.error: Exception | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool:
        # What ends the process or the thread on purpose is no failure.
        if not isinstance(error, Exception):
            return False
        tell(self._log, error, self._text, *self._words)
        self.error = error
        return True
