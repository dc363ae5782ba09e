"""Faults of the daemon's own process, its clock and its memory, and of who is told."""

from __future__ import annotations

import os
import random
import re
import resource
import signal
import subprocess
import sys
import threading
import time
from functools import partial
from pathlib import Path

from ports import free_port

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
from fault_campaign.waits import CampaignError, becomes, must_become
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
    # Many ask at once, so that it needs more than it has: a thread's stack, an answer's memory.
    threads = [threading.Thread(target=world.daemon.ready, name=f"asks-{i}") for i in range(60)]
    for thread in threads:
        thread.start()
    wait_a_while(world.rng, 3.0, 7.0)
    for thread in threads:
        thread.join()
    if world.daemon.pid == pid:
        resource.prlimit(pid, resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    silent = not world.daemon.log.read_bytes()[seen:].strip()
    return {NOT_MISSED} if world.daemon.pid == pid and silent else set()


def _another_daemon(world: World, *words: str) -> tuple[subprocess.Popen[bytes], Path]:
    """A daemon beside that of the service manager, by the same settings but for its port; and its log."""
    environ = {**os.environ, "PYTHONPATH": str(SERVICE), "STANDINGWATCH_WEB__PORT": str(free_port())}
    path = world.folder / "second.log"
    with path.open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml", *words],
            cwd=world.folder,
            env={**environ, **world.daemon.environ},
            stdout=log,
            stderr=log,
        )
    return process, path


@kind("second daemon on the store", (REFUSED,), back_s=40)
def second(world: World) -> set[str]:
    """By the same settings, name and all: it is refused, on PostgreSQL after it has waited for the name."""
    process, log = _another_daemon(world)
    try:
        refused = becomes(lambda: process.poll() is not None, 60) and process.returncode != 0
    finally:
        process.kill()
        process.wait(60)
    return {REFUSED} if refused and "works on it" in log.read_text(errors="replace") else set()


def _take_over(world: World, how: signal.Signals) -> None:
    """One of another name does the work when the first has ended or is held up, and hands it back."""
    process, log = _another_daemon(world, "--name", "second")
    try:
        if not becomes(lambda: "watching; store" in log.read_text(errors="replace"), 60):
            raise CampaignError(
                f"the second daemon does not begin: {log.read_text(errors='replace')[-3000:]}"
            )
        if how is signal.SIGSTOP:
            # Its claims run out, and when it goes on, it goes on with what is another's by then.
            world.daemon.send(how)
        else:
            world.daemon.hold(how)
        all_of_it = ("watch/0", "intake/0", "notify/file", "jobs")
        if not becomes(
            lambda: all(f"{part} is done here" in log.read_text(errors="replace") for part in all_of_it), 60
        ):
            raise CampaignError(f"not taken over: {log.read_text(errors='replace')[-3000:]}")
        wait_a_while(world.rng, 1.0, 4.0)
        if how is signal.SIGSTOP:
            world.daemon.send(signal.SIGCONT)
        else:
            world.daemon.begin()
            must_become(lambda: world.daemon.ready()[0], 60, "the first daemon is there again")
        wait_a_while(world.rng, 0.0, 6.0)
    finally:
        process.send_signal(world.rng.choice((signal.SIGTERM, signal.SIGKILL)))
        process.wait(60)
        # What is wrong with the second one is wrong: it is counted with the first one's.
        with world.daemon.log.open("ab") as all_logs:
            all_logs.write(log.read_bytes())


@kind("taken over by a second daemon", (ENDED, NO_ANSWER, NOT_READY), database="postgresql", back_s=60)
def taken_over(world: World) -> None:
    _take_over(world, world.rng.choice((signal.SIGKILL, signal.SIGTERM)))


@kind("frozen and taken over", (ENDED, NO_ANSWER, NOT_READY), database="postgresql", back_s=60)
def frozen_and_taken_over(world: World) -> None:
    _take_over(world, signal.SIGSTOP)


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
