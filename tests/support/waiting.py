"""Free ports, and waiting for what other threads and processes do."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from contextlib import closing

import pytest


def free_port() -> int:
    """A TCP port of the loopback that nobody listens on."""
    with closing(socket.socket()) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_until(true: Callable[[], object], seconds: float, what: str) -> None:
    """Wait for something to become true; fails with `what` when it does not in time."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return
        time.sleep(0.02)
    pytest.fail(f"after {seconds:g} s still not: {what}")
