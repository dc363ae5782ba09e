"""What two intake processes take in, against one, and against a bare paho subscriber; on PostgreSQL.

    python tests/benchmarks/several.py [--reports 100000] [--repeats 3]

Broker and database are started here. Once the intakes have shared out the work, the database is held until
all reports, one a message, wait at the broker, so that no publisher is measured. One process and two take
turns. Printed for each: reports stored and acknowledged a second, and the processor time a report of each
party: the intakes together, the broker, the database.

Where all of them share few processors, two intakes cannot show what they give. What they would give on more
is worked out from those times: no party is faster than its own processors allow (an intake has one, by
Python's lock, the broker one, the database one for each session), and all together not faster than all
processors. Waiting for each other's locks is in none of these times: an idle machine with as many processors
has the last word.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import psycopg
from sqlalchemy import func, select
from stage import (
    PER_SITE,
    SERVICE,
    Publisher,
    answer_of,
    child,
    mosquitto,
    names,
    now_us,
    postgres,
    say,
    spread,
)

from intake import make_session, messages, take_bare
from standingwatch.store import tables
from standingwatch.store.connect import Store, lock_arrivals

TRANSMITTERS = 300
TICKS = os.sysconf("SC_CLK_TCK")


def times_of(process: int, *, ended_children: bool = False) -> float:
    """Processor time of a process since its start [s]; that of its children that have ended, if wanted."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11 : 15 if ended_children else 13])) / TICKS


def parent_of(process: int) -> int:
    return int(Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[1])


def family_s(parent: int) -> float:
    """Processor time of a process and all its children, those that have ended too [s]."""
    total = times_of(parent, ended_children=True)
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and parent_of(int(entry.name)) == parent:
                total += times_of(int(entry.name))
        except FileNotFoundError:
            continue  # it has ended meanwhile: its parent has its time
    return total


def listener_at(port: int) -> int:
    """The number of the child of ours that runs mosquitto at a port."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and f"mosquitto-{port}.conf" in (entry / "cmdline").read_text():
            return int(entry.name)
    raise RuntimeError(f"no broker at port {port}")


@dataclass(frozen=True)
class Cost:
    """What a run came to.

    Attributes:
        rate: reports stored and acknowledged a second.
        intakes_us: processor time of all intakes a report.
        broker_us: the broker's.
        database_us: the database's.
    """

    rate: float
    intakes_us: float
    broker_us: float
    database_us: float

    @property
    def all_us(self) -> float:
        return self.intakes_us + self.broker_us + self.database_us

    def most(self, intakes: int, processors: int) -> float:
        """Reports a second that so many processors allow, at the processor time of this run."""
        return 1e6 / max(
            self.intakes_us / intakes, self.broker_us, self.database_us / intakes, self.all_us / processors
        )


class Run:
    """So many intake processes on one broker and store."""

    def __init__(self, folder: Path, url: str, port: int, intakes: int) -> None:
        self.folder, self.port, self.intakes = folder, port, intakes
        rows = "".join(
            f"{site},{name},155.34,r{number // PER_SITE % 4},100,300\n"
            for number, (site, name) in enumerate(names(TRANSMITTERS))
        )
        head = "site,transmitter,frequency_mhz,region,rated_power_w,expected_interval_s\n"
        (folder / "inventory.csv").write_text(head + rows)
        (folder / "standingwatch.toml").write_text(
            f'[broker]\nport = {port}\nclient_id = "several"\n[store]\nurl = "{url}"\n'
            f'[inventory]\nfile = "inventory.csv"\n[intake]\nsessions = {intakes}\n[log]\nlevel = "warning"\n'
        )
        self.store = Store(url)
        self.store.migrate()
        self.running: list[subprocess.Popen[bytes]] = []
        with psycopg.connect(url.replace("+psycopg", "")) as connection:
            self.server = parent_of(connection.info.backend_pid)

    def start(self) -> None:
        words = [sys.executable, "-m", "standingwatch", "run", "--parts", "intake"]
        for number in range(self.intakes):
            self.running.append(
                subprocess.Popen(
                    [*words, "--name", f"n{number}", "--settings", "standingwatch.toml"],
                    cwd=self.folder,
                    env={**os.environ, "PYTHONPATH": str(SERVICE)},
                )
            )

    def stop(self) -> None:
        for process in self.running:
            process.terminate()
        for process in self.running:
            process.wait(60)
        self.running = []

    def wait_shared(self) -> None:
        """Until each process has its session at the broker."""
        end = time.monotonic() + 120
        while time.monotonic() < end:
            with self.store.reading() as connection:
                come = connection.execute(
                    select(func.count()).where(tables.horizons.c.until_us > (time.time() - 5) * 1e6)
                ).scalar_one()
                owners = connection.execute(
                    select(func.count(tables.claims.c.owner.distinct())).where(
                        tables.claims.c.name.like("intake/%"), tables.claims.c.until_us > time.time() * 1e6
                    )
                ).scalar_one()
            if min(come, owners) >= self.intakes:
                return
            time.sleep(0.2)
        raise RuntimeError("the intakes have not come up within two minutes")

    def rows(self) -> int:
        with self.store.reading() as connection:
            return int(
                connection.execute(select(func.coalesce(func.sum(tables.arrivals.c.rows), 0))).scalar_one()
            )

    def used(self) -> tuple[float, float, float]:
        """Processor time so far of the intakes, the broker, the database [s]."""
        intakes = sum(times_of(process.pid) for process in self.running)
        return intakes, times_of(listener_at(self.port)), family_s(self.server)

    def measure(self, reports: int) -> Cost:
        try:
            return self._measure(reports)
        finally:
            self.stop()
            self.store.close()

    def _measure(self, reports: int) -> Cost:
        self.start()
        self.wait_shared()
        # Nobody can commit until all wait at the broker: neither a publisher is measured nor how work is
        # shared out.
        with self.store.writing() as connection:
            lock_arrivals(connection)
            publish(self.port, reports)
        while (first := self.rows()) == 0:
            time.sleep(0.05)
        began, before = time.monotonic(), self.used()
        while (last := self.rows()) < reports:
            time.sleep(0.05)
        took, after = time.monotonic() - began, self.used()
        each = [(b - a) / (last - first) * 1e6 for a, b in zip(before, after, strict=True)]
        return Cost((last - first) / took, *each)


def publish(port: int, reports: int) -> None:
    publisher = Publisher(port, "load")
    begin_us = now_us() - (reports // TRANSMITTERS + 1) * 1_000_000
    publisher.send(messages(TRANSMITTERS, reports, 1, 0, 1_000_000, begin_us))
    publisher.close()


def bare(reports: int) -> tuple[float, float]:
    """Messages a second of a paho subscriber that does nothing, and its processor time a message [us]."""
    with tempfile.TemporaryDirectory(prefix="several-") as folder, mosquitto(Path(folder)) as port:
        make_session(port, "5")
        publish(port, reports)
        taken = answer_of(child(__file__, "--bare", str(port), "--reports", str(reports)))
    return reports / taken["wall_s"], taken["cpu_s"] / reports * 1e6


def tell(found: dict[int, list[Cost]]) -> None:
    """Print what both came to, and their ratios."""
    for intakes, runs in found.items():
        parties = {
            "intakes": [run.intakes_us for run in runs],
            "broker": [run.broker_us for run in runs],
            "database": [run.database_us for run in runs],
        }
        say(
            f"{intakes} intake(s): {spread([run.rate for run in runs], 0)} reports/s; "
            "processor time a report [us]: "
            + ", ".join(f"{name} {spread(values, 1)}" for name, values in parties.items())
        )
    pairs = list(zip(found[1], found[2], strict=True))
    say(f"two against one on {os.cpu_count()} processors")
    for name, ratios in (
        ("reports/s by the clock", [two.rate / one.rate for one, two in pairs]),
        ("the intakes' time a report", [two.intakes_us / one.intakes_us for one, two in pairs]),
        ("all parties' time a report", [two.all_us / one.all_us for one, two in pairs]),
    ):
        say(f"  {name:27} {spread(ratios)} times")
    for processors in (2, 4, 8):
        most = [(one.most(1, processors), two.most(2, processors)) for one, two in pairs]
        say(
            f"worked out for {processors} processors: {spread([two / one for one, two in most])} times, "
            f"{median(two for _, two in most):,.0f} reports/s with two"
        )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--reports", type=int, default=100_000, help="a run")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--bare", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.bare:
        say(json.dumps(take_bare(options.bare, "5", options.reports)))
        return 0
    references = []
    found: dict[int, list[Cost]] = {1: [], 2: []}
    with postgres() as server:
        for _ in range(options.repeats):
            references.append(bare(options.reports))
            for intakes, runs in found.items():
                with (
                    tempfile.TemporaryDirectory(prefix="several-") as folder,
                    mosquitto(Path(folder)) as port,
                ):
                    runs.append(Run(Path(folder), server.database(), port, intakes).measure(options.reports))
    say(
        f"bare paho: {spread([rate for rate, _ in references], 0)} messages/s, "
        f"{spread([used for _, used in references], 1)} us of processor time a message"
    )
    ratio = [run.rate / rate for run, (rate, _) in zip(found[1], references, strict=True)]
    used = [cost / run.intakes_us for run, (_, cost) in zip(found[1], references, strict=True)]
    say(f"one intake against it: {spread(ratio)} by the clock, {spread(used)} by processor time")
    tell(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
