"""Waiting without a test framework: the campaign runs as a command too."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from contextlib import closing


class CampaignError(Exception):
    """The campaign itself cannot go on: one of its own parts does not do what it should."""


def listens(port: int) -> bool:
    """Whether somebody listens on a TCP port of the loopback."""
    with closing(socket.socket()) as sock:
        sock.settimeout(2)
        return sock.connect_ex(("127.0.0.1", port)) == 0


def becomes(true: Callable[[], object], seconds: float, pause_s: float = 0.05) -> bool:
    """Whether something becomes true within a time."""
    end = time.monotonic() + seconds
    while True:
        if true():
            return True
        if time.monotonic() >= end:
            return False
        time.sleep(pause_s)


def must_become(true: Callable[[], object], seconds: float, what: str) -> None:
    """Wait for something of the campaign's own."""
    if not becomes(true, seconds):
        raise CampaignError(f"after {seconds:g} s still not: {what}")
