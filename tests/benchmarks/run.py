"""All benchmarks by one command; each prints its reference of the same run, the ratio, and the spread.

    python tests/benchmarks/run.py                          every part, on an idle machine about an hour
    python tests/benchmarks/run.py intake watch --quick     some of them, small

Each part is a script of its own beside this one, with options for its sizes (`--help`). One that fails does
not keep the others from running; then the exit status is 1. Nothing here judges a figure: times depend on the
machine, so no test looks at them.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

from stage import say

HERE = Path(__file__).parent

#: Script, options of a full run, and those of a quick one.
PARTS: dict[str, tuple[str, tuple[str, ...], tuple[str, ...]]] = {
    "intake": (
        "intake.py",
        ("--postgres", "--long", "10000000"),
        ("--messages", "40000", "--filled", "100000", "--repeats", "1"),
    ),
    "watch": ("watch.py", ("--postgres",), ("--readings", "200000", "--repeats", "1")),
    "review": ("review.py", (), ("--transmitters", "2000", "--sample", "40", "--repeats", "1")),
    "replay": (
        "replay_speed.py",
        ("--growth", "100000", "1000000", "10000000"),
        ("--rows", "200000", "--repeats", "1", "--growth", "100000", "200000"),
    ),
    "latency": ("latency.py", (), ("--transmitters", "1500", "--messages", "10000")),
    "pages": ("pages.py", (), ("--transmitters", "1000", "--days", "10", "--rounds", "10")),
    "busy": (
        "busy_pages.py",
        (),
        ("--transmitters", "1000", "--days", "5", "--seconds", "10", "--rates", "full", "life"),
    ),
    "busy-apart": (
        "busy_pages.py",
        ("--apart",),
        ("--apart", "--transmitters", "1000", "--days", "5", "--seconds", "10", "--rates", "full", "life"),
    ),
    "burst": ("burst.py", (), ()),
    "recovery": ("recovery.py", (), ("--readings", "200000")),
    "several": ("several.py", (), ("--reports", "20000", "--repeats", "1")),
    "sizing": ("sizing.py", (), ("--transmitters", "1000", "--each", "50", "--no-postgres")),
}


def main() -> int:
    """Run the parts one after the other."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}; all where none is named"
    )
    parser.add_argument("--quick", action="store_true", help="small sizes, once each")
    options = parser.parse_args()
    if unknown := set(options.parts) - set(PARTS):
        parser.error(f"there is no part {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    failed = []
    for name in options.parts or PARTS:
        script, full, quick = PARTS[name]
        words = [script, *(quick if options.quick else full)]
        say(f"== {name}: {' '.join(words)}")
        begin = time.monotonic()
        done = subprocess.run([sys.executable, str(HERE / script), *words[1:]], check=False)
        say(f"   ({time.monotonic() - begin:.0f} s)")
        if done.returncode:
            failed.append(name)
    if failed:
        say(f"failed: {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
