"""How long pages and API take while the intake runs: 10,000 transmitters, the real daemon, a real broker.

    python tests/benchmarks/busy_pages.py                 at full rate, at half of it, and at the rate of life
    python tests/benchmarks/busy_pages.py --apart         with pages by a process of their own
    python tests/benchmarks/busy_pages.py --keep FOLDER   which keeps the filled store for the next time

One report a message at QoS 1, on SQLite. Full rate is what is taken while messages wait at the broker all the
time; the other rates are of the clock. Who reads is in `readers.py`; readers and what sends are processes of
their own. Printed for each rate: the median and the 99th percentile of whole answers, after a first one of
each address; what was stored a second with and without readers; and the processor time that it took.
It judges nothing: times depend on the machine, so no test looks at them. Takes about four minutes.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, nullcontext
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from one_daemon import Broker, Daemon, sample_of, until
from pages import fill, inventory
from readers import ADDRESSES, OPERATORS
from stage import SERVICE, Publisher, answer_of, child, free_port, now_us, say, wait_for_port

HERE = Path(__file__).parent

#: Messages that wait at the broker at full rate: more than a second's worth.
BACKLOG = 20_000
WARM_S = 8.0

#: How often each transmitter reports in life [s], as the site list says.
LIFE_S = 300


def site_list(transmitters: int) -> str:
    """The site list of `pages.py` as a file."""
    columns = (
        *("site", "transmitter", "frequency_mhz", "site_name", "region", "latitude", "longitude"),
        *("rated_power_w", "feeder_loss_db", "expected_interval_s"),
    )
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows([getattr(row, name) for name in columns] for row in inventory(transmitters))
    return out.getvalue()


def stored_after(path: str, arrival: int) -> tuple[int, int]:
    """The newest arrival, and how many readings came after another one."""
    query = 'SELECT max(arrival), sum("rows") FROM arrivals WHERE arrival > ?'
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=60)) as connection:
        newest, rows = connection.execute(query, (arrival,)).fetchone()
    return (newest or arrival, rows or 0)


def send(port: int, path: str, transmitters: int, rate: float) -> None:
    """Send reports of the fleet in turn until standard input ends; `rate` 0 is as many as are taken."""
    fleet = inventory(transmitters)
    topics = [f"standingwatch/report/{row.site}/{row.transmitter}".encode() for row in fleet]
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    publisher, sent, stored = Publisher(port, "load"), 0, 0
    arrival, _ = stored_after(path, 0)
    begin = time.perf_counter()
    a_turn = 500 if not rate else max(1, round(rate / 20))
    while not ended.is_set():
        at_s, part = now_us() / 1e6, []
        for number in range(sent, sent + a_turn):
            of = number % len(topics)
            rho = 0.04 + of % 71 * 0.001 + number % 13 * 0.0004
            payload = b'{"time":%.6f,"forward_w":95,"reflected_w":%.4f}' % (at_s, 95 * rho**2)
            part.append((topics[of], payload))
        publisher.send(part)
        sent += a_turn
        if rate:
            time.sleep(max(0.0, sent / rate - (time.perf_counter() - begin)))
        while not rate and sent - stored > BACKLOG and not ended.is_set():
            time.sleep(0.2)
            arrival, more = stored_after(path, arrival)
            stored += more
    publisher.close()
    say(json.dumps({"sent": sent}))


@contextmanager
def pages_apart(daemon: Daemon) -> Iterator[tuple[int, int]]:
    """A process that serves pages and does nothing else, beside the daemon; its port and its number."""
    port = free_port()
    with (daemon.folder / "web.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "run", "--parts", "web", "--name", "pages"],
            cwd=daemon.folder,
            env={**os.environ, "PYTHONPATH": str(SERVICE), "STANDINGWATCH_WEB__PORT": str(port)},
            stdout=log,
            stderr=log,
        )
    try:
        wait_for_port(port, 60)
        yield port, process.pid
    finally:
        process.terminate()
        process.wait(60)


# Measuring ----------------------------------------------------------------------------------------------


def line(times: Sequence[float]) -> str:
    """Median, 99th percentile and most."""
    return (
        f"median {np.median(times):6.0f} ms   99 % {np.quantile(times, 0.99):6.0f} ms   "
        f"most {max(times):6.0f} ms   of {len(times)}"
    )


@dataclass
class Look:
    """What has been stored, and what the daemon and the process of the pages have worked, at a moment."""

    at_s: float
    arrival: int
    daemon_s: float
    pages_s: float

    @classmethod
    def now(cls, path: str, daemon: Daemon, pages_pid: int) -> Look:
        """A look."""
        cpu = daemon.sample().cpu_s, sample_of(pages_pid).cpu_s
        return cls(time.perf_counter(), stored_after(path, 0)[0], *cpu)


def rate_of(path: str, before: Look, after: Look) -> float:
    """Readings stored a second between two looks."""
    rows = stored_after(path, before.arrival)[1] - stored_after(path, after.arrival)[1]
    return rows / (after.at_s - before.at_s)


def measure(
    daemon: Daemon, web: tuple[int, int], options: argparse.Namespace, path: str, rate: float, name: str
) -> float:
    """Print how answers are at a rate of reports; what was stored a second without readers."""
    port, pid = web
    source = child(
        str(HERE / "busy_pages.py"),
        "--send",
        *(str(word) for word in (daemon.broker.port, path, options.transmitters, rate)),
    )
    try:
        time.sleep(WARM_S)
        looks = [Look.now(path, daemon, pid)]
        time.sleep(options.seconds / 4)
        looks.append(Look.now(path, daemon, pid))
        said = answer_of(child(str(HERE / "readers.py"), str(port), daemon.token, str(options.seconds)))
        looks.append(Look.now(path, daemon, pid))
    finally:
        answer_of(source)
    alone, beside = (rate_of(path, a, b) for a, b in pairwise(looks))
    daemon_s = (looks[2].daemon_s - looks[1].daemon_s) / (looks[2].at_s - looks[1].at_s)
    say(f"{name}: {alone:,.0f} reports/s stored without readers, {beside:,.0f} with {OPERATORS} operators")
    say(f"  and a quick reader; the daemon took {daemon_s:.2f} s of CPU a second then")
    whose = {who: said[who] for who in ("operators", "quick", "prometheus")}
    if pid != daemon.pid:
        answers = len(said["first"]) + sum(len(times) for one in whose.values() for times in one.values())
        each_ms = 1e3 * (looks[2].pages_s - looks[1].pages_s) / answers
        say(f"  the process of the pages took {each_ms:.0f} ms of CPU an answer")
    people = {who: [t for times in whose[who].values() for t in times] for who in ("operators", "quick")}
    people["both"] = people["operators"] + people["quick"]
    for who, times in people.items():
        say(f"  {who:<28} {line(times)}")
    for address in ADDRESSES if options.each else ():
        if times := [t for one in whose.values() for t in one.get(address, ())]:
            say(f"    {address:<26} {line(times)}   first {said['first'][address]:.0f}")
    for problem in said["failed"]:
        say(f"  failed: {problem}")
    until(lambda: is_idle(path), 300, "what waited at the broker is stored")
    return alone


def is_idle(path: str) -> bool:
    """Whether nothing comes for a second."""
    before = stored_after(path, 0)[0]
    time.sleep(1.0)
    return stored_after(path, 0)[0] == before


def filled(options: argparse.Namespace, folder: Path) -> Path:
    """A store with the fleet and its history."""
    from standingwatch.store.connect import Store

    path, keep = folder / "store.sqlite", options.keep
    kept = None if keep is None else keep / f"{options.transmitters}-{options.days}.sqlite"
    if kept is not None and kept.exists():
        shutil.copy(kept, path)
        return path
    store = Store(f"sqlite:///{path}")
    fill(store, options.transmitters, options.days, options.alarms, now_us())
    store.close()
    if kept is not None:
        kept.parent.mkdir(exist_ok=True)
        shutil.copy(path, kept)
    return path


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--transmitters", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=30, help="of hours in the store")
    parser.add_argument("--alarms", type=int, default=400)
    parser.add_argument("--seconds", type=float, default=40.0, help="that are read at each rate")
    parser.add_argument(
        "--rates",
        nargs="*",
        default=["full", "half", "life"],
        help="full, half (of full, measured before), life, or reports/s",
    )
    parser.add_argument("--each", action=argparse.BooleanOptionalAction, default=True, help="each address")
    parser.add_argument("--apart", action="store_true", help="pages by a process of their own")
    parser.add_argument("--settings", default="", help="more settings of the daemon (TOML)")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="of the filled store, for the next time")
    parser.add_argument("--send", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.send:
        port, path, transmitters, rate = options.send
        send(int(port), path, int(transmitters), float(rate))
        return 0
    with tempfile.TemporaryDirectory(prefix="standingwatch-busy-pages-") as made:
        folder, begin = Path(made), time.perf_counter()
        store = str(filled(options, folder))
        say(f"filled in {time.perf_counter() - begin:.0f} s")
        broker = Broker(folder, inflight=5000)
        broker.start()
        daemon = Daemon(folder, site_list(options.transmitters), broker, more=options.settings)
        try:
            daemon.start()
            here, full = nullcontext((daemon.web_port, daemon.pid)), 0.0
            with pages_apart(daemon) if options.apart else here as web:
                for name in options.rates:
                    known = {"full": 0.0, "half": full / 2, "life": options.transmitters / LIFE_S}
                    a_second = known[name] if name in known else float(name)
                    found = measure(daemon, web, options, store, a_second, name)
                    full = found if name == "full" else full
        finally:
            daemon.stop()
            broker.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
