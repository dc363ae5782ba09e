"""The C library's arenas are bounded in a process that runs for months."""

from __future__ import annotations

import os
import platform
import subprocess
import sys

import pytest

#: Prints how many arenas there are while eight threads hold memory, by glibc's own account of itself.
PROGRAM = """\
import ctypes, sys, tempfile, threading
from standingwatch.memory import bound_arenas
if sys.argv[1] == "bound":
    print(bound_arenas(), end=" ")
both = threading.Barrier(9)
def hold():
    held = bytearray(50_000)
    both.wait()
    both.wait()
for _ in range(8):
    threading.Thread(target=hold).start()
both.wait()
libc = ctypes.CDLL(None)
libc.fopen.restype = ctypes.c_void_p
with tempfile.NamedTemporaryFile() as file:
    stream = ctypes.c_void_p(libc.fopen(file.name.encode(), b"w"))
    libc.malloc_info(0, stream)
    libc.fclose(stream)
    print(file.read().count(b"<heap nr="))
both.wait()
"""


ONLY_GLIBC = pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc has arenas")


def arenas(how: str, **more: str) -> list[str]:
    env = {k: v for k, v in os.environ.items() if k != "MALLOC_ARENA_MAX"}
    said = subprocess.run(
        [sys.executable, "-c", PROGRAM, how], env={**env, **more}, capture_output=True, text=True, check=True
    )
    return said.stdout.split()


@ONLY_GLIBC
def test_threads_share_two_arenas_unless_somebody_has_decided() -> None:
    assert arenas("bound") == ["True", "2"]
    assert int(arenas("free")[0]) > 2
    assert arenas("bound", MALLOC_ARENA_MAX="3") == ["False", "3"]


#: Frees what lies before something that stays, as a large table before a small one; prints resident pages.
FREED = """\
import ctypes
from standingwatch.memory import give_back
def pages():
    return int(open("/proc/self/statm").read().split()[1])
libc = ctypes.CDLL(None)
libc.malloc.restype = libc.memset.restype = ctypes.c_void_p
libc.malloc.argtypes, libc.free.argtypes = [ctypes.c_size_t], [ctypes.c_void_p]
libc.memset.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_size_t]
held = [libc.malloc(100_000) for _ in range(500)]
for one in held:
    libc.memset(one, 1, 100_000)
stays = libc.malloc(100_000)
full = pages()
for one in held:
    libc.free(one)
freed = pages()
print(full - freed, give_back(), freed - pages())
"""


@ONLY_GLIBC
def test_what_is_freed_behind_something_that_stays_goes_back_to_the_system() -> None:
    said = subprocess.run([sys.executable, "-c", FREED], capture_output=True, text=True, check=True)
    by_itself, was_any, by_us = said.stdout.split()
    assert was_any == "True"
    # Of some 12,200 pages.
    assert int(by_itself) < 2_000
    assert int(by_us) > 10_000


def test_what_is_loaded_is_not_looked_through_again() -> None:
    """What comes later still is."""
    ask = (
        "import gc, weakref; from standingwatch.memory import spare_loaded\n"
        "class Ring: pass\n"
        "before = gc.get_freeze_count(); spare_loaded(); print(before, gc.get_freeze_count() > 1000)\n"
        "ring = Ring(); ring.self = ring; gone = weakref.ref(ring); del ring; gc.collect(); print(gone())"
    )
    said = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True, timeout=60)
    assert said.stdout.split() == ["0", "True", "None"]
