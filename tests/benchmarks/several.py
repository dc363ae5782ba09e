"""What two intake processes take in, against one: the same reports, broker and database, in one run.

    PYTHONPATH=service python tests/benchmarks/several.py URL [REPORTS]

URL is an empty PostgreSQL database (it is filled); mosquitto is started here. Reports wait at the broker, in
sessions that the intakes' processes have made and left, so that no publisher is measured. Printed for each
number of processes: reports stored and acknowledged a second, the processor time of an intake a report, and
how busy all processors were; then the ratio of the rates, and that of the processor times, which says what
the ratio would be where broker and database are not short of processors.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import func, select

from standingwatch.store import tables
from standingwatch.store.connect import Store

SITES = 100


def say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def free_port() -> int:
    with closing(socket.socket()) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def busy_s() -> float:
    """Processor time of the machine since its start [s]."""
    fields = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:]
    idle = int(fields[3]) + int(fields[4])
    return (sum(map(int, fields[:8])) - idle) / os.sysconf("SC_CLK_TCK")


def used_s(process: int) -> float:
    """Processor time of a process since its start [s]."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def publish(port: int, first: int, reports: int) -> None:
    """Publish reports of all sites at QoS 1, each a message."""
    begin_s = int(time.time()) - 86_400
    each = reports // SITES
    for site in range(SITES):
        lines = "\n".join(
            json.dumps({"time": begin_s + (first + n) / 100, "forward_w": 98.2, "reflected_w": 1.13})
            for n in range(each)
        )
        topic = f"standingwatch/report/site-{site}/tx"
        words = ["mosquitto_pub", "-p", str(port), "-V", "5", "-q", "1", "-t", topic, "-l"]
        subprocess.run(words, input=lines.encode(), check=True)


class Run:
    """So many intake processes on one broker and store."""

    def __init__(self, folder: Path, url: str, port: int, processes: int) -> None:
        self.folder, self.processes = folder, processes
        sites = "\n".join(f"site-{n},tx,155.34,r{n % 4},100,300" for n in range(SITES))
        head = "site,transmitter,frequency_mhz,region,rated_power_w,expected_interval_s\n"
        (folder / "inventory.csv").write_text(head + sites + "\n")
        (folder / "standingwatch.toml").write_text(
            f'[broker]\nport = {port}\nclient_id = "bench-{processes}"\n[store]\nurl = "{url}"\n'
            f'[inventory]\nfile = "inventory.csv"\n[intake]\nsessions = {processes}\n'
            '[log]\nlevel = "warning"\n'
        )
        self.store = Store(url)
        self.store.migrate()
        self.running: list[subprocess.Popen[bytes]] = []

    def start(self) -> None:
        words = [sys.executable, "-m", "standingwatch", "run", "--parts", "intake"]
        for number in range(self.processes):
            self.running.append(
                subprocess.Popen(
                    [*words, "--name", f"n{number}", "--settings", "standingwatch.toml"], cwd=self.folder
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
        wanted = self.processes
        while True:
            with self.store.reading() as connection:
                come = connection.execute(
                    select(func.count()).where(
                        tables.horizons.c.intake.like(f"bench-{wanted}%"),
                        tables.horizons.c.until_us > (time.time() - 5) * 1e6,
                    )
                ).scalar_one()
                owners = connection.execute(
                    select(func.count(tables.claims.c.owner.distinct())).where(
                        tables.claims.c.name.like("intake/%"), tables.claims.c.until_us > time.time() * 1e6
                    )
                ).scalar_one()
            if come >= wanted and owners >= wanted:
                return
            time.sleep(0.2)

    def rows(self) -> int:
        with self.store.reading() as connection:
            return int(
                connection.execute(select(func.coalesce(func.sum(tables.arrivals.c.rows), 0))).scalar_one()
            )


def measure(run: Run, port: int, first: int, reports: int) -> tuple[float, float, float]:
    """Reports a second, processor time of intakes a report [us], share of all processors that was busy."""
    run.start()
    run.wait_shared()
    run.stop()
    publish(port, first, reports)
    before = run.rows()
    run.start()
    while run.rows() == before:
        time.sleep(0.05)
    done, began, busy = run.rows(), time.monotonic(), busy_s()
    used = sum(used_s(p.pid) for p in run.running)
    while (now := run.rows()) < before + reports:
        time.sleep(0.05)
    took = time.monotonic() - began
    used = sum(used_s(p.pid) for p in run.running) - used
    share = (busy_s() - busy) / took / (os.cpu_count() or 1)
    run.stop()
    return (now - done) / took, used / (now - done) * 1e6, share


@contextmanager
def broker(folder: Path) -> Iterator[int]:
    """A broker that keeps all that waits; its port."""
    port, settings = free_port(), folder / "mosquitto.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    settings.write_text(
        f"{user}listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_queued_bytes 0\n"
    )
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    process = subprocess.Popen([program, "-c", str(settings)], stderr=subprocess.DEVNULL)
    try:
        time.sleep(1)
        yield port
    finally:
        process.terminate()
        process.wait(10)


def main() -> None:
    url, reports = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 200_000
    reports -= reports % SITES
    rates, costs = [], []
    for number, processes in enumerate((1, 2)):
        folder = Path(tempfile.mkdtemp(prefix="several-"))
        with broker(folder) as port:
            rate, cost, share = measure(Run(folder, url, port, processes), port, number * 1_000_000, reports)
        shutil.rmtree(folder)
        rates.append(rate)
        costs.append(cost)
        say(
            f"{processes} intake: {rate:,.0f} reports/s, {cost:.0f} us of processor time a report, "
            f"processors {share:.0%} busy (of {os.cpu_count()})"
        )
    say(f"two against one: {rates[1] / rates[0]:.2f} times the reports")
    say(f"processor time a report: {costs[1] / costs[0]:.2f} times")


if __name__ == "__main__":
    main()
