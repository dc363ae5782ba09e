"""A mosquitto that keeps sessions across restarts, as one of a real installation does."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from dataclasses import dataclass
from pathlib import Path

from fault_campaign.waits import CampaignError, listens, must_become

SETTINGS = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
autosave_interval 1
max_queued_messages 500000
max_queued_bytes 0
max_inflight_messages 1000
"""


def program(name: str) -> str:
    """Path of a program that has to be installed."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        raise CampaignError(f"{name} is not installed; tests/run installs what the tests need")
    return found


@dataclass
class Broker:
    """The broker as a process."""

    port: int
    folder: Path
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens."""
        self.folder.mkdir(exist_ok=True)
        settings = self.folder.parent / "mosquitto.conf"
        # As root it would become a user that cannot read the folder.
        user = "user root\n" if os.geteuid() == 0 else ""
        settings.write_text(user + SETTINGS.format(port=self.port, folder=self.folder))
        with (self.folder.parent / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen(
                [program("mosquitto"), "-c", str(settings)], stdout=log, stderr=log
            )
        must_become(lambda: listens(self.port), 10, "mosquitto listens")

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End it."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(10)
            self.process = None

    def forget(self) -> None:
        """Throw away what it keeps, while it is ended: sessions, queues, retained messages."""
        shutil.rmtree(self.folder)
