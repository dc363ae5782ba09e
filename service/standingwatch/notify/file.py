"""The file channel: each event as a line of JSON, on the disk before it counts as delivered."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path

from standingwatch.notify.channel import DeliveryError
from standingwatch.store.outbox import Message

#: How much of the file's end is read after a start, to know which events stand there already [B].
TAIL_BYTES = 4_194_304


class FileChannel:
    """Appends events to a file.

    A crash between writing and noting it would write an event once more, with the same id; the end of the
    file is read once after a start, so that the event stands there once all the same. It is read again when
    the file is not as long as this channel left it: another process may have done its work while it was held
    up.

    Args:
        path: the file; made when absent, its folder has to be there.
    """

    name = "file"
    most_at_once = 500

    def __init__(self, path: Path) -> None:
        self._path = path
        self._written: set[str] | None = None
        self._left_bytes = 0

    def deliver(self, messages: Sequence[Message]) -> None:
        """Append the events that are not in the file yet."""
        try:
            if self._written is None or self._size() != self._left_bytes:
                self._written = self._tail()
            fresh = [m for m in messages if m.event_id not in self._written]
            if fresh:
                with self._path.open("ab") as file:
                    if file.tell() and not self._ends_whole():
                        file.write(b"\n")
                    file.write(b"".join(m.body.encode() + b"\n" for m in fresh))
                    file.flush()
                    os.fsync(file.fileno())
            self._left_bytes = self._size()
        except OSError as error:
            # What of it reached the file is known again when it is read.
            self._written = None
            raise DeliveryError(f"{self._path}: {error.strerror or error}") from error
        # Only what may be tried again has to be remembered.
        self._written = {m.event_id for m in messages}

    def _size(self) -> int:
        return self._path.stat().st_size if self._path.exists() else 0

    def _ends_whole(self) -> bool:
        """Whether the last line was written to its end."""
        with self._path.open("rb") as file:
            file.seek(-1, os.SEEK_END)
            return file.read(1) == b"\n"

    def _tail(self) -> set[str]:
        """Ids of the events near the end of the file; a line that a crash cut off does not count."""
        if not self._path.exists():
            return set()
        with self._path.open("rb") as file:
            file.seek(max(0, self._path.stat().st_size - TAIL_BYTES))
            lines = file.read().split(b"\n")
        found = set()
        for line in lines:
            try:
                event = json.loads(line)
            except ValueError:
                continue
            if isinstance(event, dict) and isinstance(event.get("id"), str):
                found.add(event["id"])
        return found

    def close(self) -> None:
        """Nothing is held open."""
