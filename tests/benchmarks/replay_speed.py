"""How long a replay takes beside `pandas.read_csv` of the same file.

    python tests/benchmarks/replay_speed.py

Prints medians of whole processes and of the stages inside one, as seconds and as multiples of the whole
process that reads the file into pandas and does nothing else; and how the time grows with the rows. It makes
its own readings, seeded, in a temporary folder. It judges nothing: times depend on the machine, so no test
looks at them.
"""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np

SERVICE = Path(__file__).resolve().parents[2] / "service"
sys.path.insert(0, str(SERVICE))

STEP_S = 300
START = np.datetime64("2026-01-01T00:00:00")


@dataclass(frozen=True)
class Files:
    """Where the files of one size are, and how many readings they hold."""

    inventory: Path
    readings: Path
    out: Path
    rows: int


def make_files(folder: Path, rows: int, transmitters: int, seed: int) -> Files:
    """A site list and a history in order of time: a healthy fleet whose match wanders a little."""
    folder.mkdir(parents=True)
    files = Files(folder / "inventory.csv", folder / "readings.csv", folder / "out", rows)
    names = [f"site{number // 3:04d},tx{number % 3}" for number in range(transmitters)]
    heading = "site,transmitter,region,frequency_mhz,rated_power_w,feeder_loss_db,expected_interval_s\n"
    files.inventory.write_text(
        heading + "".join(f"{name},north,446,100,1.2,{STEP_S}\n" for name in names), encoding="utf-8"
    )
    rng = np.random.default_rng(seed)
    row = np.arange(rows)
    forward_w = np.round(rng.normal(95, 1, rows), 1)
    rho = np.abs(rng.normal(0.12, 0.005, rows))
    reflected_w = np.round(forward_w * rho**2, 2)
    moments = START + np.arange(-(-rows // transmitters)) * np.timedelta64(STEP_S, "s")
    moment = np.char.add(np.datetime_as_string(moments), "Z").tolist()
    with files.readings.open("w", encoding="utf-8") as out:
        out.write("site,transmitter,time,forward_w,reflected_w\n")
        for number, forward, reflected in zip(
            row.tolist(), forward_w.tolist(), reflected_w.tolist(), strict=True
        ):
            name, when = names[number % transmitters], moment[number // transmitters]
            out.write(f"{name},{when},{forward},{reflected}\n")
    return files


def process_s(cache: Path, *words: str) -> float:
    """Wall time of a Python process [s]; compiled modules are kept, as of an installed program."""
    environ = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environ |= {"PYTHONPATH": str(SERVICE), "PYTHONPYCACHEPREFIX": str(cache)}
    begin = time.perf_counter()
    subprocess.run([sys.executable, *words], env=environ, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begin


def whole_processes(files: Files, cache: Path, repeats: int) -> dict[str, list[float]]:
    """Wall times of the processes that are compared, taken in turn so that a busy machine strikes all [s]."""
    where = ("--inventory", str(files.inventory), "--readings", str(files.readings), "--out", str(files.out))
    commands = {
        "pandas.read_csv": ("-c", f"import pandas; pandas.read_csv({str(files.readings)!r})"),
        "import pandas": ("-c", "import pandas"),
        "standingwatch --help": ("-m", "standingwatch", "--help"),
        "standingwatch replay": ("-m", "standingwatch", "replay", *where),
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for turn in range(repeats + 1):
        for name, words in commands.items():
            taken = process_s(cache, *words)
            if turn:  # the first one only fills the caches
                times[name].append(taken)
    return times


def stages(files: Files, repeats: int) -> dict[str, list[float]]:
    """Times of the stages of a replay in this process, and of pandas' reading of the same file [s]."""
    import pandas as pd

    from standingwatch.detect.engine import DetectionSettings
    from standingwatch.detect.interface import Maintenance
    from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory
    from standingwatch.readings import QualityCarry, Readings, qualify
    from standingwatch.watch.history import read_history
    from standingwatch.watch.replay import Replay

    rows = read_inventory(files.inventory).rows
    fleet = build_fleet(rows, np.arange(len(rows)), FleetDefaults())
    history = read_history(files.readings, fleet)
    readings = history.readings
    backwards = readings.take(slice(None, None, -1))

    def qualify_slices() -> None:
        carry = QualityCarry.empty(len(fleet))
        for part in history.slices():
            _, carry = qualify(part, fleet, part.time_us, carry, 300.0)

    def judge() -> None:
        replay = Replay(fleet, DetectionSettings(), Maintenance.none(), 300.0, io.StringIO(), io.StringIO())
        for part in history.slices():
            replay.feed(part)
        replay.finish()

    work: dict[str, Callable[[], object]] = {
        "pandas.read_csv, imported": lambda: pd.read_csv(files.readings),
        "read_history": lambda: read_history(files.readings, fleet),
        "sort by time, sorted": readings.sorted_by_time,
        "sort by time, backwards": backwards.sorted_by_time,
        "sort by transmitter": readings.sorted_by_transmitter,
        "qualify, all at once": lambda: qualify(
            readings, fleet, readings.time_us, QualityCarry.empty(len(fleet)), 300.0
        ),
        "qualify, in slices": qualify_slices,
        "join two halves": lambda: Readings.concatenate(
            [readings.take(slice(0, len(readings) // 2)), readings.take(slice(len(readings) // 2, None))]
        ),
        "replay, all but reading": judge,
    }
    times: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(repeats):
        for name, do in work.items():
            begin = time.perf_counter()
            do()
            times[name].append(time.perf_counter() - begin)
    return times


def shown(times: dict[str, list[float]], one_s: float) -> list[str]:
    """A line for each: median, least and most [s], and the median as a multiple."""
    return [
        f"  {name:28s} {median(taken):8.3f} s  ({min(taken):.3f} to {max(taken):.3f})  "
        f"{median(taken) / one_s:6.2f}"
        for name, taken in times.items()
    ]


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rows", type=int, default=990_000, help="readings (default 990,000)")
    parser.add_argument("--transmitters", type=int, default=110, help="of the fleet (default 110)")
    parser.add_argument("--repeats", type=int, default=5, help="of each measurement (default 5)")
    parser.add_argument("--seed", type=int, default=1, help="of the invented readings")
    parser.add_argument(
        "--growth",
        type=int,
        nargs="*",
        default=[500_000, 1_000_000, 2_000_000],
        help="numbers of readings to compare (default 0.5, 1 and 2 million)",
    )
    arguments = parser.parse_args()
    lines = []
    with tempfile.TemporaryDirectory() as name:
        folder, cache = Path(name), Path(name) / "compiled"
        files = make_files(folder / "main", arguments.rows, arguments.transmitters, arguments.seed)
        processes = whole_processes(files, cache, arguments.repeats)
        one_s = median(processes["pandas.read_csv"])
        lines.append(f"{arguments.rows} readings of {arguments.transmitters} transmitters")
        lines.append("whole processes: median, range, multiple of the process of pandas.read_csv")
        lines += shown(processes, one_s)
        lines.append("stages in one process, likewise")
        lines += shown(stages(files, arguments.repeats), one_s)
        lines.append("growth of the whole replay: readings, median, range, multiple, microseconds a reading")
        for rows in arguments.growth:
            files = make_files(folder / str(rows), rows, arguments.transmitters, arguments.seed)
            times = whole_processes(files, cache, min(arguments.repeats, 3))
            (line,) = shown({f"{rows}": times["standingwatch replay"]}, median(times["pandas.read_csv"]))
            lines.append(f"{line}  {median(times['standingwatch replay']) / rows * 1e6:6.2f}")
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
