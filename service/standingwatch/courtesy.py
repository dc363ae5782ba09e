"""Work without end makes way while a person or a program waits for an answer of this process.

Only one thread at a time runs Python. A flood of reports keeps the writer busy, batch after batch, and the
network thread beside it, so that a page has a third of the time at best. Between two batches the writer
waits, then; the network thread soon does too, since the broker sends no more than a window that is not
acknowledged. What is not taken in meanwhile waits at the broker. (Figures: DEVELOPERS.md, "Speed".)
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

#: A worker makes way for no longer than this at once [s]: several pages' worth.
MOST_S = 0.3


class Courtesy:
    """Who waits for an answer, and how long others make way for them: for half of the time at most."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting = 0

    @property
    def waiting(self) -> int:
        """How many wait for an answer now."""
        return self._waiting

    @contextmanager
    def answering(self) -> Iterator[None]:
        """Somebody waits for an answer meanwhile."""
        with self._lock:
            self._waiting += 1
        try:
            yield
        finally:
            with self._lock:
                self._waiting -= 1

    def make_way(self, worked_s: float) -> float:
        """Let those go first who wait for an answer, for as long again as one has worked.

        Args:
            worked_s: since one did so last [s].

        Returns:
            For how long [s]; 0 where nobody waits.
        """
        if not self._waiting:
            return 0.0
        made_way_s = min(worked_s, MOST_S)
        time.sleep(made_way_s)
        return made_way_s
