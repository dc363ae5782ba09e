"""How long a link to PostgreSQL lasts that takes no packets any more, in either direction.

    python tests/benchmarks/dead_link.py

A client runs in a network namespace of its own; then both ends get a wrong hardware address for each other,
so that packets go nowhere and nobody says so. Prints when a statement that waits for its answer failed, when
one failed that was begun afterwards, and when the server let go of what the client had locked. Asks for root,
`ip` and PostgreSQL's server.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

TREE = Path(__file__).parents[2]
sys.path += [str(TREE / "service"), str(TREE / "tests" / "faults")]

from fault_campaign.postgres import Postgres  # noqa: E402  # found by the path above
from fault_campaign.waits import must_become  # noqa: E402  # found by the path above
from sqlalchemy import text  # noqa: E402  # with the others
from sqlalchemy.exc import OperationalError  # noqa: E402  # with the others

from standingwatch.store.connect import Store  # noqa: E402  # found by the path above

#: Addresses of tests and documentation (RFC 5737).
OURS, THEIRS = "198.51.100.1", "198.51.100.2"
SPACE, NEAR, FAR = "sw-dead-link", "sw-near", "sw-far"
NOBODY = "02:00:00:00:00:99"

#: From the begin of the client's work to the death of the link [s].
CUT_AFTER_S = 5.0


def say(words: str) -> None:
    """Print at once."""
    print(words, flush=True)  # noqa: T201  # what the command is for


def run(*words: str) -> None:
    """Run a command that has to succeed."""
    subprocess.run(words, check=True)


def client(port: int) -> None:
    """In the namespace: three links, of which one waits, one asks later, and one holds a lock."""
    store = Store(f"postgresql+psycopg://watch@{OURS}:{port}/watch?application_name=dead-link")

    def timed(what: str, question: str, before_s: float, from_s: float) -> None:
        with store.engine.connect() as connection:
            connection.execute(text("SELECT 1"))
            time.sleep(before_s)
            begin = time.monotonic()
            try:
                connection.execute(text(question))
            except OperationalError as error:
                say(f"{what} failed after {time.monotonic() - begin - from_s:.1f} s: {error.orig}")

    asks = [
        ("a statement that waited when the link died", "SELECT pg_sleep(900)", 0.0, CUT_AFTER_S),
        ("a statement that was begun on the dead link", "SELECT 1", CUT_AFTER_S + 2.0, 0.0),
    ]
    threads = [threading.Thread(target=timed, args=ask) for ask in asks]
    holding = store.engine.connect()
    holding.execute(text("LOCK TABLE held"))
    for thread in threads:
        thread.start()
    say("ready")
    for thread in threads:
        thread.join()
    os._exit(0)


def main() -> None:
    """Set up, cut, and measure."""
    server = Postgres(None)
    try:
        run("ip", "netns", "add", SPACE)
        run("ip", "link", "add", NEAR, "type", "veth", "peer", "name", FAR, "netns", SPACE)
        run("ip", "address", "add", f"{OURS}/24", "dev", NEAR)
        run("ip", "link", "set", NEAR, "up")
        inside = ("ip", "netns", "exec", SPACE)
        run(*inside, "ip", "address", "add", f"{THEIRS}/24", "dev", FAR)
        run(*inside, "ip", "link", "set", FAR, "up")
        with (server.data / "pg_hba.conf").open("a") as rules:
            rules.write(f"host all watch {THEIRS}/32 trust\n")
        with (server.data / "postgresql.conf").open("a") as settings:
            settings.write("listen_addresses = '*'\n")
        server.end()
        server.start()
        with server.connect() as connection:
            connection.execute("CREATE TABLE held (x int)")
            process = subprocess.Popen(
                [*inside, sys.executable, __file__, str(server.port)], stdout=subprocess.PIPE, text=True
            )
            out = process.stdout
            if out is None or out.readline() != "ready\n":
                raise SystemExit("the client does not begin")
            time.sleep(CUT_AFTER_S)
            run("ip", "neigh", "replace", THEIRS, "lladdr", NOBODY, "dev", NEAR, "nud", "permanent")
            run(*inside, "ip", "neigh", "replace", OURS, "lladdr", NOBODY, "dev", FAR, "nud", "permanent")
            begin = time.monotonic()

            def free() -> bool:
                query = "SELECT 1 FROM pg_locks WHERE relation = 'held'::regclass"
                return not connection.execute(query).fetchall()

            must_become(free, 120, "the server lets go of the lock")
            say(f"what an idle client had locked was free after {time.monotonic() - begin:.1f} s")
            say(out.read().strip())
            process.wait(60)
    finally:
        subprocess.run(["ip", "link", "delete", NEAR], check=False)
        subprocess.run(["ip", "netns", "delete", SPACE], check=False)
        server.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        client(int(sys.argv[1]))
    else:
        main()
