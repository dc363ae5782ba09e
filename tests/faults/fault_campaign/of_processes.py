"""Faults of the daemon's own process, its clock and its memory, and of who is told."""

from __future__ import annotations

import os
import random
import re
import resource
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

from fault_campaign.daemon import SERVICE
from fault_campaign.kinds import (
    ALARM,
    ENDED,
    LOG,
    NO_ANSWER,
    NOT_MISSED,
    NOT_READY,
    REFUSED,
    WATCHDOG,
    kind,
)
from fault_campaign.receivers import Mood
from fault_campaign.waits import CampaignError, becomes, free_port
from fault_campaign.world import World, wait_a_while


@kind("daemon killed", (ENDED, NO_ANSWER))
def killed(world: World) -> None:
    wait_a_while(world.rng, 0.0, 0.7)
    world.daemon.send(signal.SIGKILL)


def _is_another(world: World, old: int | None) -> bool:
    """Whether another process has been started in place of one."""
    return world.daemon.pid not in (None, old)


@kind("daemon killed as it starts", (ENDED, NO_ANSWER))
def killed_as_it_starts(world: World) -> None:
    for _ in range(2):
        old = world.daemon.pid
        world.daemon.send(signal.SIGKILL)
        becomes(partial(_is_another, world, old), 10)
        wait_a_while(world.rng, 0.3, 4.0)
    world.daemon.send(signal.SIGKILL)


@kind("daemon stopped in order", (ENDED, NO_ANSWER))
def terminated(world: World) -> None:
    world.daemon.send(signal.SIGTERM)


@kind("daemon frozen", (ENDED, NO_ANSWER, NOT_READY, WATCHDOG), back_s=45)
def frozen(world: World) -> None:
    # For longer than the broker waits for a sign of life: what is shorter is nothing to tell.
    world.daemon.send(signal.SIGSTOP)
    wait_a_while(world.rng, 4.0, 8.0)
    world.daemon.send(signal.SIGCONT)


@kind("daemon starved")
def starved(world: World) -> None:
    end = time.monotonic() + world.rng.uniform(3.0, 6.0)
    while time.monotonic() < end:
        world.daemon.send(signal.SIGSTOP)
        time.sleep(world.rng.uniform(0.1, 0.5))
        world.daemon.send(signal.SIGCONT)
        time.sleep(0.04)


@kind(
    "memory capped", (ENDED, NO_ANSWER, NOT_READY, LOG, NOT_MISSED), log=("MemoryError", "memory"), back_s=45
)
def capped(world: World) -> set[str]:
    """It gets no more memory from the system than it has."""
    pid = world.daemon.pid
    if pid is None:
        return set()
    seen = world.daemon.log.stat().st_size
    found = re.search(r"VmSize:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    if found is None:
        raise CampaignError(f"nothing tells how much memory process {pid} has")
    resource.prlimit(pid, resource.RLIMIT_AS, (int(found[1]) << 10, resource.RLIM_INFINITY))
    wait_a_while(world.rng, 3.0, 7.0)
    if world.daemon.pid == pid:
        resource.prlimit(pid, resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    silent = not world.daemon.log.read_bytes()[seen:].strip()
    return {NOT_MISSED} if world.daemon.pid == pid and silent else set()


@kind("second daemon on the store", (LOG, REFUSED), log=("does another process use this",), back_s=40)
def second(world: World) -> set[str]:
    environ = {**os.environ, "PYTHONPATH": str(SERVICE), "STANDINGWATCH_WEB__PORT": str(free_port())}
    second_log = world.folder / "second.log"
    with second_log.open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml"],
            cwd=world.folder,
            env=environ,
            stdout=log,
            stderr=log,
        )
    becomes(lambda: process.poll() is not None or "as standingwatch," in second_log.read_text(), 60)
    refused = becomes(lambda: process.poll() is not None, world.rng.uniform(2.0, 5.0))
    if not refused:
        process.send_signal(world.rng.choice((signal.SIGTERM, signal.SIGKILL)))
        process.wait(60)
    return {REFUSED} if refused and process.returncode != 0 else set()


def _step_the_clock(world: World, seconds: float) -> None:
    if world.clock is not None:
        world.clock.step(seconds)
        wait_a_while(world.rng, 6.0, 9.0)
        world.clock.step(0.0)
        time.sleep(1.5)


@kind("clock stepped forward", (ALARM,), conditions=("clock-jumped",), needs=("fake clock",), back_s=45)
def clock_forward(world: World) -> None:
    _step_the_clock(world, world.rng.uniform(10, 240))


@kind("clock stepped back", (ALARM,), conditions=("clock-jumped",), needs=("fake clock",), back_s=45)
def clock_back(world: World) -> None:
    _step_the_clock(world, -world.rng.uniform(10, 240))


def _receiver(world: World, mood: Mood, rng: random.Random) -> None:
    world.receiver.mood = mood
    wait_a_while(rng, 6.0, 10.0)
    world.receiver.mood = "well"


@kind("receiver silent", (ALARM, LOG), conditions=("channel-failing",), log=("channel webhook",), back_s=60)
def receiver_silent(world: World) -> None:
    _receiver(world, "silent", world.rng)


@kind("receiver refuses", (ALARM, LOG), conditions=("channel-failing",), log=("channel webhook",), back_s=60)
def receiver_refuses(world: World) -> None:
    _receiver(world, "refuses", world.rng)


@kind("receiver hangs up", (ALARM, LOG), conditions=("channel-failing",), log=("channel webhook",), back_s=60)
def receiver_closes(world: World) -> None:
    _receiver(world, "closes", world.rng)
