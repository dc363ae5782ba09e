"""What is costly to make and only read: one process of a run of the tests makes it, the others take it."""

from __future__ import annotations

import fcntl
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

Made = TypeVar("Made")


def made_once(folder: Path, name: str, make: Callable[[], Made]) -> Made:
    """What `make` gives, from whichever process asked first; the others wait for it.

    Args:
        folder: one that all processes of the run share.
        name: of what is made, for a file name.
        make: makes it; it has to go through pickle.
    """
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        kept = folder / f"{name}.pickle"
        if not kept.exists():
            kept.write_bytes(pickle.dumps(make()))
        made: Made = pickle.loads(kept.read_bytes())
    return made
