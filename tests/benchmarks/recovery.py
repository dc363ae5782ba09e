"""How long the service takes to be at work again after kill -9, by how many readings its store holds.

    python tests/benchmarks/recovery.py                      ten million readings, SQLite
    python tests/benchmarks/recovery.py --readings 100000000 (about 9 GB of disk)

A process with intake and watch takes reports in and is killed in the middle of it. The next one is timed from
its start to the first batch that it commits. The reference is what
Python needs to start and import the service, which no store can change.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from latency import Service, report
from stage import Publisher, child, make_store, mosquitto, names, say, spread

from intake import make_session
from watch import fill


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--transmitters", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="standingwatch-recovery-") as folder,
        mosquitto(Path(folder)) as port,
    ):
        url = f"sqlite:///{folder}/store.sqlite"
        store = make_store(url, options.transmitters)
        fill(store, options.transmitters, options.readings)
        store.close()
        make_session(port, "5")
        topics = [f"standingwatch/report/{s}/{t}".encode() for s, t in names(options.transmitters)]
        load = Publisher(port, "load")
        bare, back = [], []
        sent = 0
        for _ in range(options.repeats + 1):
            begin = time.perf_counter()
            child("-c", "import standingwatch.daemon").communicate()
            bare.append(time.perf_counter() - begin)
            load.send([(topics[n % len(topics)], report(1.2)) for n in range(sent, sent + 5000)])
            sent += 5000
            begin = time.perf_counter()
            service = Service(port, url)
            service.wait_for(1, 600)
            back.append(time.perf_counter() - begin)
            service.process.kill()
            service.process.wait(10)
        load.close()
        # The first start also judges what had been put in: it is no recovery.
        size_mb = sum(f.stat().st_size for f in Path(folder).glob("store.sqlite*")) / 1e6
        say(f"after kill -9, {options.readings:,} readings in the store ({size_mb:,.0f} MB), SQLite")
        say(f"  Python and imports      {spread(bare[1:])} s")
        say(f"  to the first batch kept {spread(back[1:])} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
