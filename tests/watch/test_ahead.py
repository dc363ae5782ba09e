"""A second process that reads ahead: the same in the same order, whatever happens to it; the same replay."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="there is no second process on other systems")

#: Each in a process of its own: pytest has threads, and a copy of a process has but one of them.
SCRIPT = """
import json, multiprocessing, os, signal, sys
import numpy as np
from standingwatch.readings import Readings
from standingwatch.watch.ahead import MakerLostError, ahead

def readings(n):
    return Readings.from_columns(
        {"transmitter": np.arange(n), "time_us": np.arange(n), "forward_w": np.full(n, 2.5)}
    )

def some(last=None):
    for n in (3, 1, 0, 300_000):
        yield n, readings(n), os.getpid()
    if last:
        last()

def seen(pieces):
    result = []
    try:
        for n, part, pid in pieces:
            exact = all(
                np.array_equal(getattr(part, name), getattr(readings(n), name), equal_nan=name != "channel")
                for name in part.__dataclass_fields__
            )
            one_value = n < 2 or part.wind_mps.strides == (0,)
            result.append([n, exact and one_value, pid != os.getpid()])
    except Exception as error:
        result.append(f"{type(error).__name__}: {error}")
    return result

def fails():
    raise ValueError("no more of it")

def dies():
    os.kill(os.getpid(), signal.SIGKILL)

told = {"whole": seen(ahead(some())), "fails": seen(ahead(some(fails))), "dies": seen(ahead(some(dies)))}
left = ahead(some())
next(left)
left.close()
told["children"] = len(multiprocessing.active_children())
print(json.dumps(told))
"""


def run_python(code: str, *words: str) -> str:
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_pieces_come_as_they_were_made() -> None:
    told = json.loads(run_python(SCRIPT))
    pieces = [[n, True, True] for n in (3, 1, 0, 300_000)]
    assert told["whole"] == pieces
    assert told["fails"] == [*pieces, "ValueError: no more of it"]
    assert told["dies"][:-1] == pieces
    assert told["dies"][-1].startswith("MakerLostError: the process that reads ahead ended by itself (exit")
    assert told["children"] == 0


REPLAY = """
import standingwatch.watch.ahead as ahead
import standingwatch.watch.history_parts as parts
from standingwatch.cli.main import main

calls = []
def noted(pieces):
    calls.append(1)
    return ahead_of(pieces)
ahead_of, ahead.ahead = ahead.ahead, noted
parts.SLICE_ROWS, parts.SLICE_ROWS_EACH = 700, 0
for name, long_csv, long_rows, apart in (
    ("plain", 1 << 40, 1 << 40, True), ("apart", 1000, 0, True), ("alone", 1000, 0, False)
):
    parts.LONG_CSV_BYTES, parts.CSV_BLOCK_BYTES, parts.CSV_HEAD_BYTES = long_csv, 10_000, 5_000
    parts.LONG_ROWS = long_rows
    ahead.can_be_apart = lambda apart=apart: apart
    for file in ("sorted", "late"):
        words = ["replay", "--inventory", "sites.csv", "--readings", f"{file}.csv", "--out", f"{file}-{name}"]
        assert main(words) == 0
print(len(calls))
"""


def test_a_replay_by_two_processes_is_the_same_to_the_byte(tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text(
        "site,transmitter,frequency_mhz,rated_power_w,expected_interval_s,region\n"
        "amber,a1,446,50,3600,north\namber,a2,447,50,3600,north\nbirch,b1,446,50,3600,south\n"
    )
    rng = np.random.default_rng(4)
    rows = []
    for n in range(40 * 24):
        time = np.datetime64("2026-02-01T00:00:00") + np.timedelta64(n, "h")
        # One rises slowly, one breaks and is known to with the last reading of all, one steps.
        rises = {"amber,a1": 0.008 * max(0.0, n / 24 - 22), "amber,a2": 0.7 * (n >= 40 * 24 - 3)}
        rises["birch,b1"] = 0.4 * (n > 500)
        for name, rise in rises.items():
            rho = 0.12 + rng.normal(0, 0.002) + rise
            rows.append(f"{name},{time}Z,50,{50 * rho**2:.5f}")
    heading = "site,transmitter,time,forward_w,reflected_w"
    rows.append(f"cedar,c1,{time}Z,50,1")
    (tmp_path / "sorted.csv").write_text("\n".join([heading, *rows]) + "\n")
    # Its last row belongs far in front: seen only when the rest was judged, and all begins anew.
    (tmp_path / "late.csv").write_text("\n".join([heading, *rows[:60], *rows[61:], rows[60]]) + "\n")
    done = subprocess.run(
        [sys.executable, "-c", REPLAY],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    # Both files are begun in pieces; that of the late row then once more, whole.
    assert done.stdout.splitlines()[-1] == "3"
    assert (tmp_path / "sorted-plain" / "alarms.jsonl").read_text().count("swr-") > 3
    assert '"readings_of_unknown_transmitters": 1' in (tmp_path / "sorted-plain" / "summary.json").read_text()
    for file in ("sorted", "late"):
        for result in ("alarms.jsonl", "visits.jsonl", "summary.json"):
            plain = (tmp_path / f"{file}-plain" / result).read_bytes()
            for other in ("apart", "alone"):
                assert (tmp_path / f"{file}-{other}" / result).read_bytes() == plain, (file, other, result)
    assert '"a2"' in (tmp_path / "late-plain" / "alarms.jsonl").read_text()
