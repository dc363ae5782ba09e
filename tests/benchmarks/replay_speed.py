"""How long a replay takes beside `pandas.read_csv` of the same file.

    python tests/benchmarks/replay_speed.py

Prints medians of whole processes and of the stages inside one, and multiples of the whole process that reads
the file into pandas and does nothing else: of the processor's time (user and system, all threads and
processes), and of the time by the clock, since a long replay works on two cores. Then how time and peak
memory grow with the rows, of CSV and of Parquet (`--growth`); beside pandas as it reads a file unasked, with
as many threads as there are cores and times left as text, stands pandas told to read times as times. With
`--scale` growth alone, up to 100 million readings of Parquet (some minutes, 1 GB of disk).

Each multiple is of the processes of one turn, so that what a busy machine does to one it does to the other;
that holds for the processor's time, while the clock says something on an idle machine alone. It makes its
own readings, seeded, in a temporary folder. It judges nothing: times depend on the machine, so no test looks
at them.
"""

from __future__ import annotations

import argparse
import io
import os
import resource
import shutil
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


#: Says at its end the most memory that the process had [kB], and that of a second one which it ended: what
#: both share is counted twice. (What the kernel tells of an ended child also counts its parent's from before
#: it became another program; ours becomes none.)
PEAK = """
import atexit, resource
def peak():
    with open("/proc/self/status") as status:
        own = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
    print(own + resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
atexit.register(peak)
"""


@dataclass(frozen=True)
class Cost:
    """What a process took, with its own: time of the processor and by the clock [s], the most memory [MB]."""

    cpu_s: float
    clock_s: float
    peak_mb: float


def cost_of(cache: Path, *words: str) -> Cost:
    """Run a Python process; compiled modules are kept, as of an installed program."""
    environ = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environ |= {"PYTHONPATH": str(SERVICE), "PYTHONPYCACHEPREFIX": str(cache)}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, *words], env=environ, check=True, capture_output=True, text=True)
    clock_s = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return Cost(cpu_s, clock_s, int(done.stdout.split()[-1]) / 1e3)


def replay_words(files: Files, readings: Path) -> tuple[str, ...]:
    """The command that replays a file."""
    where = ("--inventory", str(files.inventory), "--readings", str(readings), "--out", str(files.out))
    return program_words("replay", *where)


def program_words(*words: str) -> tuple[str, ...]:
    """A command of the service that says its peak memory at its end."""
    run = "import runpy; runpy.run_module('standingwatch', run_name='__main__', alter_sys=True)"
    return ("-c", PEAK + run, *words)


def pandas_words(code: str) -> tuple[str, ...]:
    """Python code that says its peak memory at its end."""
    return ("-c", PEAK + code)


def whole_processes(
    commands: dict[str, tuple[str, ...]], cache: Path, repeats: int, warm: int = 1
) -> dict[str, list[Cost]]:
    """What processes take, run in turn so that a busy machine strikes all alike."""
    costs: dict[str, list[Cost]] = {name: [] for name in commands}
    for turn in range(repeats + warm):
        for name, words in commands.items():
            taken = cost_of(cache, *words)
            if turn >= warm:  # the first one only fills the caches
                costs[name].append(taken)
    return costs


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
            begin = time.process_time()
            do()
            times[name].append(time.process_time() - begin)
    return times


def shown(times: dict[str, list[float]], one: list[float]) -> list[str]:
    """A line for each: median, least and most [s], and the median and range of the multiples turn by turn."""
    lines = []
    for name, taken in times.items():
        multiple = [a / b for a, b in zip(taken, one, strict=True)]
        lines.append(
            f"  {name:28s} {median(taken):8.3f} s  ({min(taken):.3f} to {max(taken):.3f})  "
            f"{median(multiple):6.2f}  ({min(multiple):.2f} to {max(multiple):.2f})"
        )
    return lines


def growth(folder: Path, cache: Path, rows: int, transmitters: int, seed: int, repeats: int) -> list[str]:
    """Lines of one size: the reference, and the replay of CSV and of Parquet."""
    import pyarrow.csv
    from pyarrow import parquet

    files = make_files(folder, rows, transmitters, seed)
    other = folder / "readings.parquet"
    parquet.write_table(pyarrow.csv.read_csv(files.readings), other, row_group_size=1_000_000)
    commands = {
        "pandas.read_csv": pandas_words(f"import pandas; pandas.read_csv({str(files.readings)!r})"),
        "the same, times read": pandas_words(
            f"import pandas; pandas.read_csv({str(files.readings)!r}, parse_dates=['time'])"
        ),
        "replay CSV": replay_words(files, files.readings),
        "replay Parquet": replay_words(files, other),
    }
    costs = whole_processes(commands, cache, repeats, warm=0)
    lines = []
    for name, taken in costs.items():
        cpu = shown(
            {f"{rows:,} {name}": [c.cpu_s for c in taken]}, [c.cpu_s for c in costs["pandas.read_csv"]]
        )
        clock = [a.clock_s / b.clock_s for a, b in zip(taken, costs["pandas.read_csv"], strict=True)]
        per_reading_us = median(c.cpu_s for c in taken) / rows * 1e6
        lines.append(
            f"{cpu[0]}  {per_reading_us:6.2f} us a reading; by the clock "
            f"{median(c.clock_s for c in taken):7.2f} s {median(clock):6.2f} ({min(clock):.2f} to "
            f"{max(clock):.2f}); {max(c.peak_mb for c in taken):5.0f} MB"
        )
    return lines


#: Readings of a row group of the large files, and of how many transmitters those files are.
GROUP_ROWS, MANY = 1_000_000, 1000


def make_parquet(folder: Path, rows: int, seed: int) -> Files:
    """A history of `MANY` transmitters in row groups that follow one another in time, made group by group."""
    import pyarrow as pa
    from pyarrow import parquet

    files = make_files(folder, MANY, MANY, seed)
    files = Files(files.inventory, folder / "readings.parquet", files.out, rows)
    rng = np.random.default_rng(seed)
    sites = pa.array([f"site{number:04d}" for number in range(-(-MANY // 3))])
    names = pa.array(["tx0", "tx1", "tx2"])
    begin_us = int(START.astype("datetime64[us]").astype(np.int64))
    schema = pa.schema(
        [
            ("site", pa.dictionary(pa.int32(), pa.string())),
            ("transmitter", pa.dictionary(pa.int32(), pa.string())),
            ("time", pa.timestamp("us", tz="UTC")),
            ("forward_w", pa.float64()),
            ("reflected_w", pa.float64()),
        ]
    )
    with parquet.ParquetWriter(files.readings, schema) as writer:
        for begin in range(0, rows, GROUP_ROWS):
            row = np.arange(begin, min(begin + GROUP_ROWS, rows))
            number = (row % MANY).astype(np.int32)
            forward_w = np.round(rng.normal(95, 1, len(row)), 1)
            columns = [
                pa.DictionaryArray.from_arrays(number // 3, sites),
                pa.DictionaryArray.from_arrays(number % 3, names),
                pa.array(begin_us + row // MANY * (STEP_S * 1_000_000), schema.field("time").type),
                forward_w,
                np.round(forward_w * rng.normal(0.12, 0.005, len(row)) ** 2, 2),
            ]
            writer.write_table(pa.table(columns, schema=schema))
    return files


def scale(folder: Path, cache: Path, sizes: list[int], seed: int) -> list[str]:
    """A line for each size: time, what a reading more takes than at the size before, and the most memory."""
    lines, before = [], (0, Cost(0.0, 0.0, 0.0))
    files = make_files(folder / "first", MANY, MANY, seed)
    cost_of(cache, *replay_words(files, files.readings))  # fills the caches
    for rows in sizes:
        files = make_parquet(folder / "scale", rows, seed)
        cost = cost_of(cache, *replay_words(files, files.readings))
        shutil.rmtree(folder / "scale")
        more, cpu_s = rows - before[0], cost.cpu_s - before[1].cpu_s
        lines.append(
            f"  {rows:11,d} readings  {cost.cpu_s:8.2f} s CPU  {cost.clock_s:8.2f} s clock  "
            f"{cost.cpu_s / rows * 1e6:6.2f} us each  {cpu_s / more * 1e6:6.2f} us each one more  "
            f"{cost.peak_mb:6.0f} MB"
        )
        before = rows, cost
    return lines


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
    parser.add_argument(
        "--scale",
        type=int,
        nargs="*",
        default=[],
        help="readings of Parquet files to replay, once each, as 100000 1000000 10000000 100000000",
    )
    arguments = parser.parse_args()
    lines: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        folder, cache = Path(name), Path(name) / "compiled"
        if arguments.scale:
            lines += [f"Parquet of {MANY} transmitters, once each"]
            lines += scale(folder, cache, arguments.scale, arguments.seed)
            sys.stdout.write("\n".join(lines) + "\n")
            return 0
        files = make_files(folder / "main", arguments.rows, arguments.transmitters, arguments.seed)
        commands = {
            "pandas.read_csv": pandas_words(f"import pandas; pandas.read_csv({str(files.readings)!r})"),
            "import pandas": pandas_words("import pandas"),
            "standingwatch --help": program_words("--help"),
            "standingwatch replay": replay_words(files, files.readings),
        }
        costs = whole_processes(commands, cache, arguments.repeats)
        processes = {name: [cost.cpu_s for cost in taken] for name, taken in costs.items()}
        one = processes["pandas.read_csv"]
        lines.append(f"{arguments.rows} readings of {arguments.transmitters} transmitters; CPU time")
        lines.append("whole processes: median, range, multiple of the process of pandas.read_csv, its range")
        lines += shown(processes, one)
        lines.append("the same by the clock")
        clocks = {name: [cost.clock_s for cost in taken] for name, taken in costs.items()}
        lines += shown(clocks, clocks["pandas.read_csv"])
        lines.append("stages in one process, as multiples of the first")
        by_stage = stages(files, arguments.repeats)
        lines += shown(by_stage, by_stage["pandas.read_csv, imported"])
        lines.append("growth: whole processes, likewise, and the most memory")
        for rows in arguments.growth:
            where = folder / str(rows)
            lines += growth(
                where, cache, rows, arguments.transmitters, arguments.seed, min(arguments.repeats, 3)
            )
            shutil.rmtree(where)
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
