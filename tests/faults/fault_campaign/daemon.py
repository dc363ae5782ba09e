"""The daemon as a process, under a stand-in for the service manager that does what our systemd unit asks."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from pathlib import Path

from fault_campaign.waits import CampaignError, becomes

SERVICE = Path(__file__).parents[3] / "service"

#: Pause before another start [s]; the unit has 5.
RESTART_S = 0.5

#: What the watchdog allows without a sign of progress [s]; the unit has 120. Longer than a daemon needs to
#: find a half-open link by itself, and than a claim holds.
WATCHDOG_S = 40.0


@dataclass
class Daemon:
    """Starts the daemon, starts it again whenever it has ended, and ends it when its watchdog is not fed.

    Attributes:
        folder: working directory, with the settings.
        web_port: where it serves.
        environ: more environment for it.
        ends: how its processes ended, in order: exit status, or the signal as a negative number.
        starved: how often the watchdog was not fed.
    """

    folder: Path
    web_port: int
    environ: dict[str, str] = field(default_factory=dict)
    ends: list[int] = field(default_factory=list)
    starved: int = 0

    def __post_init__(self) -> None:
        self.log = self.folder / "daemon.log"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.folder / "notify"))
        self._socket.settimeout(0.1)
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.RLock()
        self._wanted = False
        self._fed = time.monotonic()
        self._is_up = False
        self._ended = threading.Event()
        self._next_start = 0.0
        self._thread = threading.Thread(target=self._manage, name="service manager", daemon=True)
        self._thread.start()

    # The service manager --------------------------------------------------------------------------------

    def begin(self) -> None:
        """Have it run from now on."""
        with self._lock:
            self._wanted, self._next_start = True, 0.0

    def hold(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End it, and do not start it again until `begin`."""
        with self._lock:
            self._wanted = False
        self.send(how)
        if not becomes(lambda: self.pid is None, 40):
            raise CampaignError(f"the daemon does not end by {how.name}\n{self.tail()}")

    def close(self) -> None:
        """End everything."""
        self.hold(signal.SIGKILL)
        self._ended.set()
        self._thread.join(5)
        self._socket.close()

    def _start(self) -> None:
        environ = {**os.environ, "PYTHONPATH": str(SERVICE), **self.environ}
        environ |= {"NOTIFY_SOCKET": str(self.folder / "notify"), "WATCHDOG_USEC": str(int(WATCHDOG_S * 1e6))}
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml"],
                cwd=self.folder,
                env=environ,
                stdout=log,
                stderr=log,
                # Else the end of the shell that began this would wake one that is stopped (setpgid(2)).
                start_new_session=True,
            )
        self._is_up, self._fed = False, time.monotonic()

    def _manage(self) -> None:
        while not self._ended.is_set():
            try:
                told = self._socket.recv(4096).decode().split("\n")
            except TimeoutError:
                told = []
            with self._lock:
                now = time.monotonic()
                if "READY=1" in told:
                    self._is_up = True
                if "READY=1" in told or "WATCHDOG=1" in told:
                    self._fed = now
                process = self._process
                if process is not None and (status := process.poll()) is not None:
                    self.ends.append(status)
                    self._process, self._next_start = None, now + RESTART_S
                elif process is not None and self._is_up and now - self._fed > WATCHDOG_S:
                    self.starved += 1
                    self._fed = now
                    # As systemd does it; a process that is stopped hears it once it goes on.
                    process.send_signal(signal.SIGABRT)
                if self._process is None and self._wanted and now >= self._next_start:
                    self._start()

    # What is done to it, and asked of it ------------------------------------------------------------------

    @property
    def pid(self) -> int | None:
        """Number of its process; None while there is none."""
        with self._lock:
            return None if self._process is None else self._process.pid

    def send(self, what: signal.Signals) -> None:
        """Send it a signal, if it runs."""
        with self._lock:
            if self._process is not None:
                self._process.send_signal(what)

    def ready(self) -> tuple[bool, str]:
        """Whether it is ready, and why not, as its own page says it."""
        asked = HTTPConnection("127.0.0.1", self.web_port, timeout=8)
        try:
            asked.request("GET", "/readyz")
            answer = asked.getresponse()
            told = json.loads(answer.read())
            return answer.status == 200, "; ".join(told.get("reasons", [told.get("detail", "")]))
        except (OSError, HTTPException) as error:
            return False, f"no answer ({type(error).__name__})"
        finally:
            asked.close()

    def tail(self, characters: int = 3000) -> str:
        """The end of its log."""
        return self.log.read_text(errors="replace")[-characters:] if self.log.exists() else ""
