"""Work in a Python of its own: what befalls native code there stays there, and its memory goes back."""

from __future__ import annotations

import subprocess
import sys


class ChildError(Exception):
    """It did not do what it should; the text says how it ended."""


def output_of(*words: str, within_s: float, given: bytes = b"") -> bytes:
    """What the Python that runs us writes to its standard output, run once more.

    Args:
        words: of its command, as `-m` and a module; no shell reads them.
        within_s: how long it may take [s].
        given: for its standard input.

    Raises:
        ChildError: if it did not end well, or in time.
    """
    command = [sys.executable, *words]
    try:
        done = subprocess.run(  # noqa: S603  our own module or text; what it is given goes in as data
            command, input=given, capture_output=True, timeout=within_s, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ChildError(f"it did not end: {error}") from error
    if done.returncode != 0:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise ChildError(f"it ended with status {done.returncode}: {said[-1] if said else 'no reason given'}")
    return done.stdout
