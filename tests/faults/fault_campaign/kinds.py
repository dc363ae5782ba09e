"""Kinds of faults: what each needs, does, and by what the operator has to be told of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fault_campaign.world import Database, World

#: By what an operator may be told, each a way of its own.
NOT_READY = "not ready"
ENDED = "heartbeat: ended"
NO_ANSWER = "no answer"
ALARM = "alarm"
LOG = "log"
WATCHDOG = "watchdog"
REFUSED = "refused to start"
#: The fault took nothing that was missed: there was nothing to tell.
NOT_MISSED = "not missed"


@dataclass(frozen=True)
class Kind:
    """A kind of fault.

    Attributes:
        name: as the table has it.
        plant: plants the fault, lets it last, and lifts it; may return ways by which it was seen to be told.
        told_by: ways of which one at least has to have told the operator; none where nothing has to be told.
        conditions: alarms about the service that count as told.
        log: words of the daemon's log that count as told.
        database: the only kind of database with it, where it is not for both.
        needs: what the machine has to have.
        back_s: longest time from its end to being back at work [s].
        takes_memory: whether the broker loses what it has in memory, so that what it had accepted and not
            handed over, or told and not passed on, may be lost with it.
    """

    name: str
    plant: Callable[[World], set[str] | None]
    told_by: frozenset[str] = frozenset()
    conditions: frozenset[str] = frozenset()
    log: tuple[str, ...] = ()
    database: Database | None = None
    needs: tuple[str, ...] = ()
    back_s: float = 30.0
    takes_memory: bool = False


KINDS: dict[str, Kind] = {}


def kind(
    name: str,
    told_by: tuple[str, ...] = (),
    *,
    conditions: tuple[str, ...] = (),
    log: tuple[str, ...] = (),
    database: Database | None = None,
    needs: tuple[str, ...] = (),
    back_s: float = 30.0,
    takes_memory: bool = False,
) -> Callable[[Callable[[World], set[str] | None]], Callable[[World], set[str] | None]]:
    """Add a kind of fault, by the function that plants it."""

    def add(plant: Callable[[World], set[str] | None]) -> Callable[[World], set[str] | None]:
        KINDS[name] = Kind(
            name,
            plant,
            frozenset(told_by),
            frozenset(conditions),
            log,
            database,
            needs,
            back_s,
            takes_memory,
        )
        return plant

    return add


def possible(world: World) -> tuple[list[str], dict[str, str]]:
    """Kinds that can be planted here, and why the others cannot."""
    has = {
        "small disk": world.disk is not None,
        "fake clock": world.clock is not None,
    }
    can, cannot = [], {}
    for name, one in KINDS.items():
        if one.database is not None and one.database != world.database:
            continue
        missing = [need for need in one.needs if not has[need]]
        if missing:
            cannot[name] = f"this machine gives us no {', no '.join(missing)}"
        else:
            can.append(name)
    return can, cannot
