"""What one process of a run makes for all of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from shared import made_once

MAKE = """
import os, pathlib, sys, shared
def make():
    with open(sys.argv[1] + "/made", "a") as made:
        made.write("once ")
    return os.getpid()
print(shared.made_once(pathlib.Path(sys.argv[1]), "a number", make))
"""


def test_one_process_makes_it_and_all_have_the_same(tmp_path: Path) -> None:
    """However close together they ask."""
    asking = [
        subprocess.Popen(
            [sys.executable, "-c", MAKE, str(tmp_path)],
            cwd=Path(__file__).parent / "support",
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    given = {one.communicate(timeout=30)[0].strip() for one in asking}
    assert len(given) == 1
    assert given <= {str(one.pid) for one in asking}
    assert (tmp_path / "made").read_text() == "once "
    assert made_once(tmp_path, "another", lambda: 7) == 7
