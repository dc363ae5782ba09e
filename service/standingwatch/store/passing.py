"""Which errors pass: about the state of the database or the machine, not about what was to be done."""

from __future__ import annotations

import logging
import sqlite3

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
    # psycopg is an optional part: known by its own name for the same thing.
    return any(
        cls.__module__.startswith("psycopg") and cls.__name__ == "OperationalError"
        for cls in type(error).__mro__
    )


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
