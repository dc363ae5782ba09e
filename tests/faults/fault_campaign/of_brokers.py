"""Faults of the broker and of the way to it."""

from __future__ import annotations

import signal
import time

from fault_campaign.kinds import ALARM, ENDED, LOG, NOT_READY, kind
from fault_campaign.waits import must_become
from fault_campaign.world import World, wait_a_while

LOST = ("lost the broker",)
TOLD = (ALARM, NOT_READY, LOG, ENDED)


@kind("broker restarted", TOLD, conditions=("broker-lost",), log=LOST)
def restarted(world: World) -> None:
    world.broker.end()
    world.broker.start()


@kind("broker away", TOLD, conditions=("broker-lost",), log=LOST)
def away(world: World) -> None:
    world.broker.end()
    wait_a_while(world.rng, 2.0, 8.0)
    world.broker.start()


@kind("broker killed", TOLD, conditions=("broker-lost",), log=LOST, takes_memory=True)
def killed(world: World) -> None:
    world.broker.end(signal.SIGKILL)
    wait_a_while(world.rng, 0.0, 3.0)
    world.broker.start()


@kind("broker replaced", TOLD, conditions=("broker-lost",), log=LOST, takes_memory=True)
def replaced(world: World) -> None:
    """Another one in its place, that knows nothing of sessions and retained messages."""
    world.sites.rest()
    must_become(lambda: world.sites.idle, 20, "what was made is accepted")
    time.sleep(1.0)
    world.broker.end()
    world.broker.forget()
    world.sites.go_on()
    wait_a_while(world.rng, 0.0, 2.0)
    world.broker.start()


@kind("broker link half open", TOLD, conditions=("broker-lost",), log=LOST)
def half_open(world: World) -> None:
    world.broker_proxy.swallow_all()
    wait_a_while(world.rng, 3.0, 7.0)


@kind("broker link slow")
def slow(world: World) -> None:
    world.broker_proxy.delay_s = world.rng.uniform(0.05, 0.3)
    wait_a_while(world.rng, 3.0, 6.0)
    world.broker_proxy.be_well()


@kind("broker link torn", TOLD, conditions=("broker-lost",), log=LOST)
def torn(world: World) -> None:
    """Connections are reset in the middle of what they say, again and again."""
    world.broker_proxy.cuts = world.rng.uniform(0.02, 0.2)
    wait_a_while(world.rng, 3.0, 7.0)
    world.broker_proxy.be_well()
    world.broker_proxy.reset_all()


@kind("site and broker away, daemon killed", TOLD, conditions=("broker-lost",), log=LOST)
def both(world: World) -> None:
    world.broker.end()
    world.daemon.send(signal.SIGKILL)
    wait_a_while(world.rng, 1.0, 5.0)
    world.broker.start()
