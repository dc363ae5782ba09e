"""What the machine's service manager is told: that the service is up, that it makes progress, how it is.

The protocol is one datagram of lines `NAME=value` to the socket that the environment names (sd_notify(3),
https://www.freedesktop.org/software/systemd/man/latest/sd_notify.html). Where there is no such socket, as
under a terminal or in most containers, nothing is told and nothing is missing.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Mapping, MutableMapping, Sequence

from standingwatch.store.passing import Attempt

log = logging.getLogger("standingwatch.supervisor")

SOCKET_VARIABLE = "NOTIFY_SOCKET"
WATCHDOG_VARIABLE = "WATCHDOG_USEC"
PROCESS_VARIABLE = "WATCHDOG_PID"

#: Longest wait for the service manager to take a message [s].
TELL_WAIT_S = 1.0

#: How often progress is looked for where no watchdog asks for more [s].
LOOK_EVERY_S = 5.0

#: So many looks in the time that the watchdog allows; the manual advises to feed it twice in it at least.
LOOKS_A_WATCHDOG = 4

#: When a loop last went round, on the monotonic clock [s].
Pulse = Callable[[], float]


class ServiceManager:
    """The socket of the service manager, if there is one.

    Args:
        environ: environment of the process; what it says about the socket is taken out of it, so that no
        child
            process speaks in our name.
    """

    def __init__(self, environ: MutableMapping[str, str] | None = None) -> None:
        environ = os.environ if environ is None else environ
        address = environ.pop(SOCKET_VARIABLE, "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._told_problem = ""
        #: How long the watchdog waits for a sign of progress [s]; None where there is none for this process.
        self.watchdog_s = _watchdog_s(environ.pop(WATCHDOG_VARIABLE, ""), environ.pop(PROCESS_VARIABLE, ""))

    @property
    def listens(self) -> bool:
        """Whether there is anybody to tell."""
        return bool(self._address)

    def tell(self, **lines: str) -> bool:
        """Send lines `NAME=value`, a name for each argument; whether they were taken.

        A line break in a value would begin another line: it becomes a space. What cannot be sent is logged,
        and once as long as the reason stays the same: the service does not depend on being heard.
        """
        if not self._address:
            return False
        text = "\n".join(f"{name}={' '.join(value.splitlines())}" for name, value in lines.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
                # The socket holds few messages: a manager that does not read must not hold us.
                sock.settimeout(TELL_WAIT_S)
                sock.connect(self._address)
                sock.sendall(text.encode("utf-8", "replace"))
        except OSError as problem:
            if str(problem) != self._told_problem:
                log.warning("the service manager cannot be told: %s", problem)
            self._told_problem = str(problem)
            return False
        self._told_problem = ""
        return True


def _watchdog_s(microseconds: str, process: str) -> float | None:
    """The watchdog's time of the environment [s]; None for none, or one that is another process's."""
    if not microseconds.isdecimal() or not int(microseconds):
        return None
    if process and process != str(os.getpid()):
        return None
    return int(microseconds) / 1e6


def still_loops(pulses: Mapping[str, Pulse], limit_s: float, now_s: float) -> list[str]:
    """Sentences about the loops that have not gone round for too long, empty where all go.

    Args:
        pulses: by the name of the loop.
        limit_s: longest time that one may take [s].
        now_s: now, on the monotonic clock [s].
    """
    ages = {name: now_s - pulse() for name, pulse in pulses.items()}
    return [
        f"the {name} has not gone on for {age_s:.0f} s" for name, age_s in ages.items() if age_s > limit_s
    ]


class Supervisor:
    """Tells the service manager when the service is up, feeds its watchdog by progress, and says how it is.

    The watchdog is fed only when every loop went round since it was fed last: a loop that hangs or has ended
    has the service started again. A loop that goes round and finds the store or the broker away is alive:
    another start would not bring those back, and why the service is not ready stands in its status.

    Args:
        manager: who is told.
        pulses: loops that have to go on, by name.
        is_up: whether the service has begun to work; it is told once.
        reasons: why it is not ready now, in words; empty where it is.
        monotonic: a clock that nobody sets [s].
    """

    def __init__(
        self,
        manager: ServiceManager,
        pulses: Mapping[str, Pulse],
        is_up: Callable[[], bool],
        reasons: Callable[[], Sequence[str]],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._manager = manager
        self._pulses = dict(pulses)
        self._is_up = is_up
        self._reasons = reasons
        self._monotonic = monotonic
        self._fed_s = monotonic()
        self._told_up = False
        self._told_status = ""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)

    def start(self) -> None:
        """Tell, on a thread of its own; nothing where nobody listens."""
        if self._manager.listens:
            self._thread.start()

    def stop(self) -> None:
        """Say that the service stops; call it before anything else is stopped."""
        self._stopping.set()
        if self._manager.listens:
            self._thread.join()
            self._manager.tell(STOPPING="1", STATUS="stopping")

    def look(self) -> None:
        """Tell what is new since the last look."""
        if not self._told_up and self._is_up():
            self._told_up = self._manager.tell(READY="1")
        if all(pulse() > self._fed_s for pulse in self._pulses.values()):
            # Read before it is told: what goes on in between counts for the next time.
            now_s = self._monotonic()
            if self._manager.tell(WATCHDOG="1"):
                self._fed_s = now_s
        status = "; ".join(self._reasons()) or "watching"
        if status != self._told_status and self._manager.tell(STATUS=status):
            self._told_status = status

    def _run(self) -> None:
        watchdog_s = self._manager.watchdog_s
        every_s = LOOK_EVERY_S if watchdog_s is None else min(LOOK_EVERY_S, watchdog_s / LOOKS_A_WATCHDOG)
        while not self._stopping.is_set():
            with Attempt(log, "the service manager cannot be told how the service is"):
                self.look()
            # Until it has been told that the service is up, somebody waits for it.
            self._stopping.wait(every_s if self._told_up else min(0.1, every_s))
