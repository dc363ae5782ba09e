"""A PostgreSQL server of the campaign's own, that can be ended, filled, and replaced by its standby."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import suppress
from pathlib import Path

import psycopg
from ports import free_port

from fault_campaign.disk import SmallDisk
from fault_campaign.waits import CampaignError, must_become


def _programs() -> Path:
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))
    if not folders:
        raise CampaignError("PostgreSQL's server is not installed; tests/run installs what the tests need")
    return folders[-1]


class Postgres:
    """The server, as a process; a service manager's stand-in of the campaign starts it again.

    Args:
        disk: a small disk for its data; None for a folder.
    """

    def __init__(self, disk: SmallDisk | None) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="standingwatch-faults-"))
        self.folder.chmod(0o755)
        self._run_as: list[str] = []
        home = disk.folder if disk is not None else self.folder
        if os.geteuid() == 0:
            # PostgreSQL refuses to run as root: then it runs as the user that its package made.
            for folder in {self.folder, home}:
                shutil.chown(folder, "postgres", "postgres")
            self._run_as = ["runuser", "-u", "postgres", "--"]
        self.data = home / "data"
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._do(
            "initdb", "-D", str(self.data), "-U", "watch", "-A", "trust", "-E", "UTF8", "--wal-segsize=1"
        )
        with (self.data / "postgresql.conf").open("a") as settings:
            settings.write(
                "listen_addresses = '127.0.0.1'\nunix_socket_directories = ''\nmax_wal_size = 16MB\n"
                "min_wal_size = 8MB\nwal_keep_size = 0\nshared_buffers = 16MB\nmax_connections = 60\n"
                "deadlock_timeout = 300ms\n"
            )
        self.start()
        with self.connect("postgres") as connection:
            connection.execute("CREATE DATABASE watch")

    def _do(self, *words: str) -> None:
        done = subprocess.run(
            [*self._run_as, str(_programs() / words[0]), *words[1:]], capture_output=True, text=True, cwd="/"
        )
        if done.returncode:
            raise CampaignError(f"{words[0]}: {done.stderr}")

    def connect(self, name: str = "watch") -> psycopg.Connection[tuple[object, ...]]:
        """A connection past the proxy, that commits by itself."""
        return psycopg.connect(
            f"host=127.0.0.1 port={self.port} user=watch dbname={name} connect_timeout=5", autocommit=True
        )

    def answers(self) -> bool:
        """Whether it takes connections."""
        with suppress(psycopg.OperationalError), self.connect("postgres"):
            return True
        return False

    def start(self) -> None:
        """Start it, and wait until it answers."""
        log = self.folder / "log"
        with log.open("ab") as out:
            self._process = subprocess.Popen(
                [*self._run_as, str(_programs() / "postgres"), "-D", str(self.data), "-p", str(self.port)],
                stdout=out,
                stderr=out,
                cwd="/",
            )
        must_become(self.answers, 30, "PostgreSQL answers")

    def end(self, how: signal.Signals = signal.SIGINT) -> None:
        """End it: SIGINT cuts connections, SIGQUIT recovers at the next start, SIGKILL asks nobody."""
        pid_file = self.data / "postmaster.pid"
        if pid_file.exists():
            with suppress(ProcessLookupError, ValueError, IndexError):
                os.kill(int(pid_file.read_text().split("\n")[0]), how)
        if self._process is not None:
            self._process.wait(30)
            self._process = None
        if how is signal.SIGKILL:
            # Its children end by themselves; another server may not begin before.
            time.sleep(0.5)
            pid_file.unlink(missing_ok=True)

    @property
    def runs(self) -> bool:
        """Whether its process is there."""
        return self._process is not None and self._process.poll() is None

    def fail_over(self) -> None:
        """Copy it to a standby that confirms each commit, kill it, and go on with the standby."""
        old_port, port = self.port, free_port()
        data = self.data.with_name(f"data-{port}")
        self._do(
            *("pg_basebackup", "-D", str(data), "-R", "-X", "stream", "-c", "fast"),
            *("-d", f"host=127.0.0.1 port={old_port} user=watch application_name=standby"),
        )
        primary, old_data = self._process, self.data
        with (self.folder / "log").open("ab") as out:
            standby = subprocess.Popen(
                [*self._run_as, str(_programs() / "postgres"), "-D", str(data), "-p", str(port)],
                stdout=out,
                stderr=out,
                cwd="/",
            )
        with self.connect() as connection:
            connection.execute("ALTER SYSTEM SET synchronous_standby_names = 'standby'")
            connection.execute("SELECT pg_reload_conf()")

            def synchronous() -> bool:
                found = connection.execute("SELECT sync_state FROM pg_stat_replication").fetchall()
                return ("sync",) in found

            must_become(synchronous, 20, "the standby confirms commits")
        time.sleep(1.0)
        self._process = primary
        self.end(signal.SIGKILL)
        self.data, self.port, self._process = data, port, standby
        self._do("pg_ctl", "promote", "-D", str(data), "-w")
        with self.connect() as connection:
            connection.execute("ALTER SYSTEM RESET synchronous_standby_names")
            connection.execute("SELECT pg_reload_conf()")
        shutil.rmtree(old_data)

    def close(self) -> None:
        """End it, and throw it away."""
        self.end(signal.SIGQUIT)
        shutil.rmtree(self.folder)
