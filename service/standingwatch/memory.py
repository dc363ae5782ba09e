"""Memory of a process that runs for months: how the C library hands it out, and what Python looks through."""

from __future__ import annotations

import ctypes
import gc
import os

#: Of glibc's malloc.h: how many arenas there may be.
_M_ARENA_MAX = -8

#: One for the main thread, and one that all others share.
MOST_ARENAS = 2


def bound_arenas() -> bool:
    """Let glibc have `MOST_ARENAS` arenas, not eight a core; whether that was possible.

    Each thread gets an arena of its own as long as there are fewer, and what one thread gave back another
    cannot use then: with intake, watch, jobs, channels and the threads of the pages a process grew for days,
    while what it had in use stayed the same (figures in DEVELOPERS.md, "A soak"). Only one thread at a time
    runs Python, so they hardly ever wait for each other here. Whoever sets MALLOC_ARENA_MAX has decided.
    """
    if "MALLOC_ARENA_MAX" in os.environ:
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return False  # another C library, which has no arenas
    return bool(mallopt(_M_ARENA_MAX, MOST_ARENAS))


def give_back() -> bool:
    """Give pages that nothing is in any more back to the system, of all arenas; whether there were any.

    glibc does so by itself only at the end of an arena: after a job that reads days of a fleet, a little
    that lies behind its tables keeps all of them. Takes milliseconds; other threads run meanwhile.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return False  # as above
    return bool(trim(0))


def spare_loaded() -> None:
    """Take what is loaded by now out of the collector's sight: it stays until the end.

    Each look through everything stopped all answers of the pages of 10,000 transmitters for 0.11 s, every two
    or three seconds while four people used them; half of it are modules and what they have made.
    """
    gc.collect()
    gc.freeze()
