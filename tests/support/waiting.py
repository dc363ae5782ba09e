"""Waiting for what other threads and processes do."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest


def wait_until(true: Callable[[], object], seconds: float, what: str) -> None:
    """Wait for something to become true; fails with `what` when it does not in time."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return
        time.sleep(0.02)
    pytest.fail(f"after {seconds:g} s still not: {what}")
