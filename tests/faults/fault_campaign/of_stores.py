"""Faults of the store: its disk, its file, its server, and others that hold it."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing, suppress

import psycopg

from fault_campaign.daemon import SERVICE
from fault_campaign.kinds import ALARM, ENDED, LOG, NO_ANSWER, NOT_READY, REFUSED, WATCHDOG, kind
from fault_campaign.postgres import Postgres
from fault_campaign.proxy import Proxy
from fault_campaign.waits import CampaignError, becomes, must_become
from fault_campaign.world import World, wait_a_while

STORE_LOG = ("store: a batch", "not ready: ", "is made again from the store", "trying again")
TOLD = (NOT_READY, LOG)

# SQLite -------------------------------------------------------------------------------------------------


@kind("store locked by another process", TOLD, log=STORE_LOG, database="sqlite", back_s=45)
def locked(world: World) -> None:
    with closing(sqlite3.connect(world.store_file, timeout=10, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        wait_a_while(world.rng, 4.0, 8.0)
        other.execute("ROLLBACK")


def _fill(world: World, leave_bytes: int) -> None:
    if world.disk is not None:
        world.disk.fill(leave_bytes)
        wait_a_while(world.rng, 5.0, 9.0)
        world.disk.make_room()


@kind(
    "disk full", (*TOLD, ALARM), conditions=("store-filling",), log=STORE_LOG, database="sqlite",
    needs=("small disk",), back_s=45,
)  # fmt: skip
def full(world: World) -> None:
    _fill(world, world.rng.choice((0, 0, 20_000, 100_000)))


@kind("power lost", (ENDED, NO_ANSWER), database="sqlite")
def power_lost(world: World) -> None:
    """At some moment: what had reached the disk by then, and nothing else, is there afterwards."""
    wait_a_while(world.rng, 0.0, 0.7)
    world.daemon.send(signal.SIGSTOP)
    time.sleep(0.05)
    if world.disk is not None:
        copy = world.disk.copy()
        world.daemon.hold()
        world.disk.come_back_from(copy)
    else:
        # Without a disk of our own: the files as they are, which is what a killed process leaves.
        for end in ("", "-wal"):
            source = world.store_file.with_name(world.store_file.name + end)
            if source.exists():
                shutil.copyfile(source, world.folder / f"copy{end}")
        world.daemon.hold()
        for end in ("", "-wal", "-shm"):
            world.store_file.with_name(world.store_file.name + end).unlink(missing_ok=True)
            if (world.folder / f"copy{end}").exists():
                shutil.move(
                    world.folder / f"copy{end}", world.store_file.with_name(world.store_file.name + end)
                )
    world.daemon.begin()


def command(world: World, *words: str) -> subprocess.CompletedProcess[str]:
    """One of our commands, in the folder of the settings."""
    return subprocess.run(
        [sys.executable, "-m", "standingwatch", *words],
        cwd=world.folder,
        env={**os.environ, "PYTHONPATH": str(SERVICE)},
        capture_output=True,
        text=True,
        timeout=120,
    )


@kind("store damaged, backup put back", (REFUSED,), database="sqlite", back_s=45)
def damaged(world: World) -> set[str]:
    """The sites rest from the backup to the damage: what comes after a backup is lost with the store."""
    world.sites.rest()
    must_become(lambda: world.sites.idle, 20, "what was made is accepted")
    time.sleep(3.0)
    made = command(world, "backup", "kept.backup")
    if made.returncode:
        raise CampaignError(f"no backup: {made.stderr}")
    world.daemon.hold(world.rng.choice((signal.SIGKILL, signal.SIGTERM)))
    for end in ("-wal", "-shm"):
        world.store_file.with_name(world.store_file.name + end).unlink(missing_ok=True)
    size = world.store_file.stat().st_size
    with world.store_file.open("r+b") as file:
        begin = world.rng.choice((0, size // 3, size // 2))
        file.seek(begin)
        file.write(world.rng.randbytes(min(size - begin, 65_536)))
    seen = world.daemon.log.stat().st_size
    world.daemon.begin()
    told = becomes(lambda: "is damaged" in world.daemon.log.read_text(errors="replace")[seen:], 30)
    world.daemon.hold()
    back = command(world, "restore", "kept.backup", "--replace")
    if back.returncode:
        raise CampaignError(f"cannot be put back: {back.stderr}")
    for kept in world.store_folder.glob("store.sqlite.*"):
        kept.unlink()
    world.daemon.begin()
    world.sites.go_on()
    return {REFUSED} if told and "restore BACKUP" in world.daemon.tail(20_000) else set()


# PostgreSQL ---------------------------------------------------------------------------------------------


def _server(world: World) -> tuple[Postgres, Proxy]:
    if world.postgres is None or world.store_proxy is None:
        raise CampaignError("this campaign has no PostgreSQL")
    return world.postgres, world.store_proxy


@kind("database restarted", TOLD, log=STORE_LOG, database="postgresql")
def database_restarted(world: World) -> None:
    server, _ = _server(world)
    server.end()
    server.start()


@kind("database away", TOLD, log=STORE_LOG, database="postgresql")
def database_away(world: World) -> None:
    server, _ = _server(world)
    server.end()
    wait_a_while(world.rng, 3.0, 8.0)
    server.start()


@kind("database crashed", TOLD, log=STORE_LOG, database="postgresql")
def database_crashed(world: World) -> None:
    server, _ = _server(world)
    server.end(world.rng.choice((signal.SIGQUIT, signal.SIGKILL)))
    wait_a_while(world.rng, 0.0, 2.0)
    server.start()


@kind("database slow", database="postgresql", back_s=45)
def database_slow(world: World) -> None:
    _, proxy = _server(world)
    proxy.delay_s = world.rng.uniform(0.02, 0.15)
    wait_a_while(world.rng, 4.0, 8.0)
    proxy.be_well()


@kind(
    "database link half open", (*TOLD, WATCHDOG, NO_ANSWER), log=STORE_LOG, database="postgresql", back_s=60
)
def database_half_open(world: World) -> None:
    _, proxy = _server(world)
    proxy.swallow_all()
    wait_a_while(world.rng, 1.0, 4.0)


@kind("database connections ended", database="postgresql", log=STORE_LOG)
def database_ends_connections(world: World) -> None:
    server, _ = _server(world)
    end = time.monotonic() + world.rng.uniform(1.0, 4.0)
    with server.connect() as connection:
        while time.monotonic() < end:
            connection.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE application_name = 'standingwatch' AND random() < 0.7"
            )
            time.sleep(world.rng.uniform(0.05, 0.4))


# Shorter than the limits of the alarms about the service: what waits is told by nothing, and need not be.
@kind("database table locked", log=STORE_LOG, database="postgresql", back_s=45)
def database_locked(world: World) -> None:
    server, _ = _server(world)
    with server.connect() as connection, connection.transaction():
        tables = world.rng.sample(["readings", "marks", "outbox", "alarms", "watch_state"], 2)
        with suppress(psycopg.errors.DeadlockDetected):
            for table in tables:
                connection.execute(f"LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE")
            wait_a_while(world.rng, 4.0, 8.0)


@kind("database deadlocked", log=STORE_LOG, database="postgresql", back_s=45)
def database_deadlocked(world: World) -> None:
    """Other sessions lock our tables in all orders, so that each deadlocks with us from time to time."""
    server, _ = _server(world)
    end = time.monotonic() + 5.0
    seeds = [world.rng.random() for _ in range(2)]

    def lock(seed: float) -> None:
        rng = type(world.rng)(seed)
        with server.connect() as connection:
            connection.execute("SET deadlock_timeout = '10s'")  # so that ours is the one that is found
            while time.monotonic() < end:
                with suppress(psycopg.errors.DeadlockDetected), connection.transaction():
                    for table in rng.sample(["readings", "marks", "outbox", "alarms", "alarm_changes"], 3):
                        connection.execute(f"LOCK TABLE {table} IN SHARE ROW EXCLUSIVE MODE")
                        time.sleep(rng.uniform(0.02, 0.2))
                time.sleep(0.05)

    threads = [threading.Thread(target=lock, args=(seed,)) for seed in seeds]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


@kind("database full", TOLD, log=STORE_LOG, database="postgresql", needs=("small disk",), back_s=60)
def database_full(world: World) -> None:
    server, _ = _server(world)
    if world.disk is None:
        return
    world.disk.fill(world.rng.choice((0, 0, 50_000)))
    end = time.monotonic() + world.rng.uniform(5.0, 9.0)
    # What it keeps in reserve for its log of writes would last longer than the fault: have it used up.
    with suppress(psycopg.Error), server.connect() as connection:
        while time.monotonic() < end:
            connection.execute("SELECT pg_switch_wal()")
            time.sleep(0.2)
    time.sleep(max(0.0, end - time.monotonic()))
    world.disk.make_room()
    world.mend()


@kind("database failed over", TOLD, log=STORE_LOG, database="postgresql", back_s=60)
def database_failed_over(world: World) -> None:
    server, proxy = _server(world)
    server.fail_over()
    proxy.target = server.port
    proxy.reset_all()
