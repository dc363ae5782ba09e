"""From publishing a report to the alarm that it raises, idle and under load.

    python tests/benchmarks/latency.py

Intake and watch run in a process of their own on SQLite. First only the probes are sent; then as much as
the two can take, which gives the full rate; then the probes again, with 0.8 of that rate beside them. A probe
is three reports of a transmitter that stood well before, with a critical SWR; it is over when the transaction
that holds the alarm and its messages is committed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
from stage import Publisher, answer_of, child, make_store, mosquitto, names, now_us, say

from intake import make_session

PROBES = 40


def serve(port: int, url: str) -> None:
    """Take in and judge until standard input ends; say when each transmitter's first alarm was committed."""
    from prometheus_client import CollectorRegistry

    from standingwatch.detect.engine import DetectionSettings
    from standingwatch.intake.service import Intake
    from standingwatch.intake.writer import Writer
    from standingwatch.inventory import FleetDefaults
    from standingwatch.metrics import Metrics
    from standingwatch.settings import BrokerSettings, IntakeSettings
    from standingwatch.store.alarming import load_alarms
    from standingwatch.store.connect import Store
    from standingwatch.watch.live import Watch, WatchOptions

    store, metrics = Store(url), Metrics(CollectorRegistry())
    broker = BrokerSettings(port=port, client_id="standingwatch")
    writer = Writer(store, IntakeSettings(), FleetDefaults(), broker.topic_root, metrics, now_us)
    intake = Intake(broker, IntakeSettings(), writer, metrics, now_us)
    seen: dict[str, int] = {}

    def look() -> None:
        at = now_us()
        with store.reading() as connection:
            for key in load_alarms(connection):
                seen.setdefault(f"{key.site}/{key.transmitter}", at)

    watch = Watch(store, WatchOptions(DetectionSettings(), FleetDefaults()), metrics, now_us, look)
    intake.start()
    watch.start()
    for line in sys.stdin:
        if line.strip() == "count":
            say(json.dumps({"stored": metrics.readings_stored._value.get(), "lag_s": watch.lag_s}))
        elif line.strip() == "seen":
            say(json.dumps(seen))
    intake.stop()
    watch.stop()
    store.close()
    say("{}")


class Service:
    """The child, and questions to it."""

    def __init__(self, port: int, url: str) -> None:
        self.process = child(__file__, "--serve", str(port), url)

    def ask(self, word: str) -> Any:
        if self.process.stdin is None or self.process.stdout is None:
            raise RuntimeError("the child has no pipes")
        self.process.stdin.write(f"{word}\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def wait_for(self, stored: float, seconds: float) -> None:
        end = time.monotonic() + seconds
        while self.ask("count")["stored"] < stored:
            if time.monotonic() > end:
                raise RuntimeError(f"{stored:.0f} readings were not stored within {seconds:.0f} s")
            time.sleep(0.05)


def report(swr: float, before_s: float = 0.0) -> bytes:
    reflected_w = 95 * ((swr - 1) / (swr + 1)) ** 2
    time_s = now_us() / 1e6 - before_s
    return f'{{"time":{time_s:.6f},"forward_w":95,"reflected_w":{reflected_w:.3f}}}'.encode()


def probes(
    service: Service, publisher: Publisher, targets: list[tuple[str, str]], every_s: float
) -> list[float]:
    """Publish one probe after the other; how long each took [s]."""
    sent: dict[str, int] = {}
    for site, transmitter in targets:
        sent[f"{site}/{transmitter}"] = now_us()
        # An alarm wants three in a row; the last of them is what is timed.
        topic = f"standingwatch/report/{site}/{transmitter}".encode()
        publisher.send([(topic, report(4.5, before_s)) for before_s in (0.02, 0.01, 0.0)])
        time.sleep(every_s)
    end = time.monotonic() + 60
    while time.monotonic() < end:
        seen = service.ask("seen")
        if all(name in seen for name in sent):
            return [(seen[name] - at) / 1e6 for name, at in sent.items()]
        time.sleep(0.2)
    raise RuntimeError(f"{sum(name not in seen for name in sent)} of {len(sent)} probes raised no alarm")


def show(name: str, taken: list[float]) -> None:
    say(
        f"  {name}: median {1e3 * np.median(taken):.0f} ms, 95 % {1e3 * np.percentile(taken, 95):.0f} ms, "
        f"most {1e3 * max(taken):.0f} ms, of {len(taken)}"
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--transmitters", type=int, default=3000)
    parser.add_argument("--messages", type=int, default=60_000, help="to find the full rate with")
    parser.add_argument("--every", type=float, default=0.25, help="time between probes [s]")
    parser.add_argument("--serve", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(int(options.serve[0]), options.serve[1])
        return 0
    fleet = names(options.transmitters)
    # One probe a site: a second alarm there would be told as the site's.
    first_of_site = [pair for pair in fleet if pair[1] == "tx-0"]
    if len(first_of_site) < 2 * PROBES:
        parser.error(f"--transmitters has to be {6 * PROBES} or more")
    idle, loaded = first_of_site[::8][:PROBES], first_of_site[4::8][:PROBES]
    rest = [pair for pair in fleet if pair not in {*idle, *loaded}]
    with (
        tempfile.TemporaryDirectory(prefix="standingwatch-latency-") as folder,
        mosquitto(Path(folder)) as port,
    ):
        url = f"sqlite:///{folder}/store.sqlite"
        make_store(url, options.transmitters, regions=options.transmitters // 30).close()
        make_session(port, "5")
        service, publisher, load = Service(port, url), Publisher(port, "probes"), Publisher(port, "load")
        well = [(f"standingwatch/report/{s}/{t}".encode(), report(1.2)) for s, t in fleet]
        publisher.send(well)
        service.wait_for(len(fleet), 120)
        say(f"publish to alarm, {options.transmitters:,} transmitters, SQLite")
        show("idle", probes(service, publisher, idle, options.every))

        topics = [f"standingwatch/report/{s}/{t}".encode() for s, t in rest]
        begin, before = time.perf_counter(), service.ask("count")["stored"]
        for first in range(0, options.messages, 2000):
            load.send([(topics[n % len(topics)], report(1.2)) for n in range(first, first + 2000)])
        service.wait_for(before + options.messages, 600)
        full = options.messages / (time.perf_counter() - begin)
        stop = threading.Event()

        def keep_sending() -> None:
            number, begin = 0, time.perf_counter()
            while not stop.is_set():
                load.send([(topics[n % len(topics)], report(1.2)) for n in range(number, number + 100)])
                number += 100
                time.sleep(max(0.0, number / (0.8 * full) - (time.perf_counter() - begin)))

        sender = threading.Thread(target=keep_sending)
        sender.start()
        time.sleep(2)
        taken = probes(service, publisher, loaded, options.every)
        stop.set()
        sender.join()
        show(f"at 0.8 of {full:,.0f} reports a second", taken)
        for one in (publisher, load):
            one.close()
        answer_of(service.process)
    return 0


if __name__ == "__main__":
    sys.exit(main())
