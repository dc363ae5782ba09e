"""What the memory of this process is made of: in use and kept free by malloc, Python's small objects, SQLite.

Linux with glibc 2.33 or later. Of a process that grows this tells a leak (what is in use grows) from memory
that is free and stays (malloc's free, or resident without being any of these: pages of Python's allocator of
small objects that are partly free).
"""

from __future__ import annotations

import ctypes
import sys
import threading
import time
from pathlib import Path


class _Mallinfo(ctypes.Structure):
    """`struct mallinfo2` of glibc's malloc.h."""

    _fields_ = (
        *((name, ctypes.c_size_t) for name in ("arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks")),
        *((name, ctypes.c_size_t) for name in ("fsmblks", "uordblks", "fordblks", "keepcost")),
    )


def account() -> str:
    """The account, in a line [MB; blocks are counted]."""
    libc = ctypes.CDLL(None)
    libc.mallinfo2.restype = _Mallinfo
    said = libc.mallinfo2()
    loaded = {line.split()[-1] for line in Path("/proc/self/maps").read_text().splitlines()}
    sqlite = 0
    for path in loaded:
        if "libsqlite3" in path:
            library = ctypes.CDLL(path)
            library.sqlite3_memory_used.restype = ctypes.c_int64
            sqlite = library.sqlite3_memory_used()
    anonymous_kb = sum(
        int(line.split()[1])
        for line in Path("/proc/self/smaps_rollup").read_text().splitlines()
        if line.startswith("Anonymous:")
    )
    in_use, free = said.uordblks + said.hblkhd, said.fordblks
    rest = anonymous_kb * 1024 - in_use - free
    return (
        f"malloc in use {in_use / 1e6:.1f} (of it SQLite {sqlite / 1e6:.1f}), kept free {free / 1e6:.1f}; "
        f"other anonymous {rest / 1e6:.1f} with {sys.getallocatedblocks()} Python blocks"
    )


def keep_account(file: Path, every_s: float) -> None:
    """Write a line every so often, for as long as the process lives."""
    begin = time.monotonic()

    def run() -> None:
        while True:
            time.sleep(every_s)
            with file.open("a") as stream:
                stream.write(f"{(time.monotonic() - begin) / 60:.1f} min: {account()}\n")

    threading.Thread(target=run, daemon=True).start()
