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
from standingwatch.cli.memory import bound_arenas
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


def arenas(how: str, **more: str) -> list[str]:
    env = {k: v for k, v in os.environ.items() if k != "MALLOC_ARENA_MAX"}
    said = subprocess.run(
        [sys.executable, "-c", PROGRAM, how], env={**env, **more}, capture_output=True, text=True, check=True
    )
    return said.stdout.split()


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc has arenas")
def test_threads_share_two_arenas_unless_somebody_has_decided() -> None:
    assert arenas("bound") == ["True", "2"]
    assert int(arenas("free")[0]) > 2
    assert arenas("bound", MALLOC_ARENA_MAX="3") == ["False", "3"]
