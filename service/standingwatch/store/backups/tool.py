"""A program of PostgreSQL's as a process with pipes, and what it says when it fails."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType

from standingwatch.store.backups.file import BackupError


def path_of(name: str) -> str:
    """Where a tool is: on the path, else the newest of those that Debian keeps apart.

    Raises:
        BackupError: if it is not installed.
    """
    found = shutil.which(name)
    if found is None:
        apart = sorted(
            Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda p: p.parts[-3].rjust(4, "0")
        )
        found = str(apart[-1]) if apart else None
    if found is None:
        raise BackupError(
            f"{name} is not installed; install PostgreSQL's client tools of the server's version or a later "
            "one (Debian: postgresql-client)"
        )
    return found


class Tool:
    """A running tool; ended by force where it is left before its own end.

    Args:
        name: the program.
        words: its arguments; everybody on the machine may see them.
        secrets: further environment, which only its user may see.
    """

    def __init__(self, name: str, words: Sequence[str], secrets: Mapping[str, str] | None = None) -> None:
        self.name = name
        path = path_of(name)
        self._said = tempfile.TemporaryFile()  # noqa: SIM115  open as long as the tool runs
        try:
            self._process = subprocess.Popen(  # noqa: S603  PostgreSQL's own tool, our words, no shell
                [path, *words],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._said,
                env={**os.environ, **(secrets or {})},
            )
        except OSError as error:
            self._said.close()
            raise BackupError(f"{name}: cannot be started: {error.strerror or error}") from error

    def __enter__(self) -> Tool:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _where: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self.close_input()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._said.close()

    def read(self, most: int) -> bytes:
        """What it gives out next, at most so many bytes; none at its end."""
        return self._process.stdout.read(most) if self._process.stdout is not None else b""

    def write(self, piece: bytes) -> None:
        """Give it more."""
        if self._process.stdin is not None:
            self._process.stdin.write(piece)

    def close_input(self) -> None:
        """Tell it that nothing more comes."""
        if self._process.stdin is None or self._process.stdin.closed:
            return
        try:
            self._process.stdin.close()
        except BrokenPipeError:
            # It has ended; `end` tells why.
            return

    def kill(self) -> None:
        """End it by force."""
        self._process.kill()

    def end(self, because: Exception | None = None) -> None:
        """Wait for its end.

        Args:
            because: what went wrong on our side, which counts for more than what the tool made of it.

        Raises:
            BackupError: with the tool's own words, if it failed.
        """
        status = self._process.wait()
        if isinstance(because, BackupError):
            raise because
        if status == 0 and because is None:
            return
        self._said.seek(0)
        said = " ".join(self._said.read().decode("utf-8", "backslashreplace").split())
        raise BackupError(f"{self.name} failed: {said or because or f'status {status}'}") from because
