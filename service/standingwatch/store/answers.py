"""Links to PostgreSQL that end by themselves where their other end is gone or has lost what was asked.

Three ends of a silence, each in a time that is stated here:

- The other machine takes no packets any more: the system probes a silent link, and sends again what was not
  taken, for `GONE_S` at most (tcp(7): SO_KEEPALIVE, TCP_USER_TIMEOUT). The server does the same with its end,
  so that what a lost client had locked is let go.
- It takes packets, and no answer comes, as when a router or proxy between has forgotten the link: after
  `ASK_AFTER_S` another connection asks the server what it does for this one. While that is work, however
  long, the wait goes on; if the server waits for us too, or knows nothing of us, the link is closed.
- Nobody answers a new connection: it is given up after `CONNECT_S`, for each of the address's hosts.

An option that the store's address sets holds in place of ours.
"""

from __future__ import annotations

import fcntl
import struct
import termios
import time
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

#: How long a silent link is probed, or what was sent may stay untaken, until the link counts as gone [s].
GONE_S = 20

#: A link that has been silent for so long is probed, and then this often [s].
PROBE_AFTER_S, PROBE_EVERY_S = 10, 5

#: How long an answer may be waited for until the server is asked whether it works on it, and between two such
#: questions [s]. Shorter than a claim holds, longer than nearly all statements take.
ASK_AFTER_S = 15.0

#: Longest wait for a new connection [s].
CONNECT_S = 10

#: What `pg_stat_activity` calls a session that waits for its client.
_WAITS = frozenset({"idle", "idle in transaction", "idle in transaction (aborted)"})


def link_options(given: Mapping[str, Any]) -> dict[str, Any]:
    """Options of a connection, without those that an address gives itself.

    Args:
        given: options of the address, by libpq's names.
    """
    its_end = {
        "tcp_keepalives_idle": PROBE_AFTER_S,
        "tcp_keepalives_interval": PROBE_EVERY_S,
        "tcp_keepalives_count": (GONE_S - PROBE_AFTER_S) // PROBE_EVERY_S,
        "tcp_user_timeout": GONE_S * 1000,
    }
    ours = {
        "connect_timeout": CONNECT_S,
        "keepalives_idle": PROBE_AFTER_S,
        "keepalives_interval": PROBE_EVERY_S,
        "keepalives_count": (GONE_S - PROBE_AFTER_S) // PROBE_EVERY_S,
        "tcp_user_timeout": GONE_S * 1000,
        "options": " ".join(f"-c {name}={value}" for name, value in its_end.items()),
    }
    return {name: value for name, value in ours.items() if name not in given}


def connect(words: tuple[Any, ...], options: Mapping[str, Any]) -> Any:
    """A connection of psycopg whose waits for an answer end when none will come.

    Args:
        words: of psycopg's `connect`.
        options: of it too.
    """
    connection = _kind().connect(*words, **options)

    def works_for(process: int) -> bool:
        # Silent for as long, this one is given up: it has nobody to ask.
        with _kind().connect(*words, **options, autocommit=True) as other:
            row = other.execute("SELECT state FROM pg_stat_activity WHERE pid = %s", [process]).fetchone()
            # Its state is "disabled", or empty, where the server does not say: that is no proof of anything.
            return row is not None and row[0] not in _WAITS

    connection.works_for = works_for
    return connection


@cache
def _kind() -> Any:
    import psycopg  # here, as it is an optional part, that only those need who use PostgreSQL

    class HeedfulConnection(psycopg.Connection[Any]):
        """Asks after what it waits for.

        Attributes:
            works_for: whether the server works for the session of a process of its own; None to ask nobody.
        """

        works_for: Callable[[int], bool] | None = None

        def wait(self, gen: Any, *rest: Any, **more: Any) -> Any:
            """Consume a generator of psycopg's, as its own method does."""
            return super().wait(self._heed(gen), *rest, **more)

        def _heed(self, gen: Any) -> Any:
            since = time.monotonic()
            try:
                wanted = next(gen)
                while True:
                    ready = yield wanted
                    now = time.monotonic()
                    # What the other machine has not taken yet is the system's to wait for, not ours.
                    if ready or _untaken_bytes(self.pgconn.socket):
                        since = now
                    elif now - since > ASK_AFTER_S:
                        self._see_that_it_works()
                        since = time.monotonic()
                    wanted = gen.send(ready)
            except StopIteration as end:
                return end.value

        def _see_that_it_works(self) -> None:
            trouble = "the server waits for us too, or knows us no more"
            try:
                if self.works_for is not None and self.works_for(self.pgconn.backend_pid):
                    return
            except psycopg.OperationalError as error:
                trouble = f"the server takes no question about it: {error}"
            # Closed, it is found to be so by whoever holds it, and is used no more.
            self.pgconn.finish()
            raise psycopg.OperationalError(
                f"no answer came within {ASK_AFTER_S:g} s, and {trouble}; the connection is given up"
            )

    return HeedfulConnection


def _untaken_bytes(link: int) -> int:
    """How much of what was sent the other machine has not taken [bytes] (tcp(7): SIOCOUTQ); 0 if unknown."""
    try:
        (count,) = struct.unpack("i", fcntl.ioctl(link, termios.TIOCOUTQ, b"\0" * 4))
    except OSError:
        # No link of TCP.
        return 0
    return int(count)
