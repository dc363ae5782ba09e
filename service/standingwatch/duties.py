"""Which parts of the work this process does, where several share it: claims made, renewed, taken over, left.

A process offers kinds of work. Of each kind it takes its fair share of the parts, by how many live processes
offer that kind; it lets go of what it has too much of when another comes, and takes over what a dead one had.
A part of the work gets a store whose every transaction is fenced by the claim (`store/claims.py`), so that an
owner that was held up changes nothing any more. One thread renews and does nothing else; another starts and
stops, which may take long.

On SQLite there is one process at a time, which does everything; others may serve pages beside it.
"""

from __future__ import annotations

import logging
import math
import os
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from sqlalchemy.exc import SQLAlchemyError

from standingwatch.metrics import Metrics
from standingwatch.store.claims import (
    LEASE_US,
    PROCESS,
    Claim,
    Claimant,
    OneProcess,
    all_claims,
    claiming,
    fenced,
    leave_claims,
    renew_claims,
    take_claim,
    this_host,
)
from standingwatch.store.connect import Store, StoreError
from standingwatch.store.passing import Attempt

log = logging.getLogger("standingwatch.duties")

#: Kinds of work in the order in which they start: data flow from the last to the first, and stop so.
KINDS = ("jobs", "notify", "watch", "intake")

#: How often claims are renewed, and looked at [s]: several times in the time that they hold.
RENEW_S = LEASE_US / 1e6 / 5

#: How long a start waits for a name that another process had [s].
WAIT_S = LEASE_US / 1e6 + RENEW_S


class Part(Protocol):
    """Something that runs on threads of its own."""

    def start(self) -> None:
        """Begin."""

    def stop(self) -> None:
        """Finish what is under way, and end."""


@dataclass(frozen=True)
class _Held:
    epoch: int
    part: Part


def share_of(kind: str, names: Sequence[str], claims: Sequence[Claim]) -> int:
    """How many parts of a kind each process has to do."""
    offering = sum(
        1 for c in claims if c.name.startswith(PROCESS) and c.is_live and kind in c.detail.get("kinds", ())
    )
    return math.ceil(len(names) / max(offering, 1))


class Duties:
    """Does this process's share of the work until it is stopped.

    Args:
        store: where claims are.
        me: who this process is.
        kinds: what it offers to do.
        wanted: names of all the parts of the work that there are, such as "watch/0".
        begin: makes a part of the work of its name and a store; it is started here.
        metrics: where it is shown.
        renew_s: time between two looks [s].
    """

    def __init__(
        self,
        store: Store,
        me: Claimant,
        kinds: Collection[str],
        wanted: Callable[[], Sequence[str]],
        begin: Callable[[str, Store], Part],
        metrics: Metrics,
        renew_s: float = RENEW_S,
    ) -> None:
        self._store = store
        self._metrics = metrics
        self._me = me
        self._kinds = tuple(kind for kind in KINDS if kind in kinds)
        self._wanted = wanted
        self._make = begin
        self._renew_s = renew_s
        self._name = PROCESS + me.called
        self._detail: Mapping[str, Any] = {
            "kinds": list(kinds),
            "host": this_host(),
            "process": os.getpid(),
            "since_s": time.time(),
        }
        self._lock = threading.Lock()
        self._held: dict[str, _Held] = {}
        self._lost: set[str] = set()
        self._is_here = False
        self._told_trouble = ""
        self._stopping = threading.Event()
        #: That there is something to arrange at once: who goes on with lost work disturbs its new owner.
        self._woken = threading.Event()
        self._only: OneProcess | None = None
        self._threads = [
            threading.Thread(target=self._run, args=(work,), name=f"claims-{word}", daemon=True)
            for word, work in (("renew", self._renew), ("arrange", self._arrange))
        ]

    @property
    def held(self) -> list[str]:
        """Names of the parts that this process does now."""
        return sorted(self._held)

    def start(self) -> None:
        """Take part in the work, and begin with what is to be done.

        Raises:
            StoreError: another process does it, on SQLite, or has the same name.
        """
        if self._store.is_sqlite:
            if self._kinds:
                self._only = OneProcess(self._store)
            for name in self._mine(self._wanted()):
                self._start(name, 0, self._store)
            return
        self._take_name()
        self._arrange_once(is_first=True)
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Let go of everything; others go on at once."""
        self._stopping.set()
        self._woken.set()
        if not self._store.is_sqlite:
            # The one that renews goes on until all have stopped: that may take longer than a claim holds.
            if self._threads[1].is_alive():
                self._threads[1].join()
            self._stop(list(self._held))
            if self._threads[0].is_alive():
                self._threads[0].join()
            try:
                with claiming(self._store) as connection:
                    leave_claims(connection, self._me, [self._name])
            except SQLAlchemyError as problem:
                log.warning("claims: they cannot be left, and run out by themselves: %s", _words(problem))
            return
        self._stop(list(self._held))
        if self._only is not None:
            self._only.let_go()

    # Claims ---------------------------------------------------------------------------------------------

    def _mine(self, names: Sequence[str]) -> list[str]:
        """Those of a kind that is offered here, in the order in which they start."""
        offered = [name for name in names if _kind(name) in self._kinds]
        return sorted(offered, key=lambda name: (KINDS.index(_kind(name)), name))

    def _take_name(self) -> None:
        end = time.monotonic() + WAIT_S
        while True:
            with claiming(self._store) as connection:
                if take_claim(connection, self._name, self._me, self._detail) is not None:
                    self._is_here = True
                    return
                other = next((c for c in all_claims(connection) if c.name == self._name), None)
            if time.monotonic() > end or self._stopping.wait(0.5):
                break
        where = f"{other.detail.get('host')}, process {other.detail.get('process')}" if other else "elsewhere"
        called = f"called {self._me.called!r}" if self._me.called else "without a name"
        raise StoreError(
            f"store {self._store.shown_url}: a daemon {called} works on it already ({where}); stop that one, "
            "or give this one a name of its own: standingwatch run --name NAME"
        )

    def _run(self, work: Callable[[], None]) -> None:
        is_renewing = work == self._renew
        pause = self._stopping if is_renewing else self._woken
        while True:
            pause.wait(self._renew_s)
            if not is_renewing:
                # Before the look at `_stopping`, which is set before this one is.
                self._woken.clear()
            if self._stopping.is_set() and not (is_renewing and self._held):
                return
            # Who renews no more would lose all that it does.
            with Attempt(log, "claims: trying again"):
                try:
                    work()
                except SQLAlchemyError as problem:
                    # Nobody else can take anything over meanwhile, and what is committed is fenced.
                    if _words(problem) != self._told_trouble:
                        log.warning("claims: the store is away, trying again: %s", _words(problem))
                    self._told_trouble = _words(problem)
                else:
                    self._told_trouble = ""
            if self._stopping.is_set():
                time.sleep(min(self._renew_s, 0.2))

    def _renew(self) -> None:
        with self._lock:
            held = dict(self._held)
        with claiming(self._store) as connection:
            kept = renew_claims(connection, self._me, [self._name, *held])
        with self._lock:
            # What was let go of meanwhile is not lost.
            lost = {name for name, one in held.items() if name not in kept and self._held.get(name) is one}
        self._is_here = self._name in kept
        for name in lost - self._lost:
            log.error("claims: another process has taken %s over; this one was held up for too long", name)
        self._lost |= lost
        if lost:
            self._woken.set()

    def _arrange(self) -> None:
        self._arrange_once(is_first=False)

    def _arrange_once(self, *, is_first: bool) -> None:
        """Bring what is done here to what is to be done here."""
        if self._lost:
            self._stop(list(self._lost & set(self._held)), leave=False)
            self._lost.clear()
        if not self._is_here:
            with claiming(self._store) as connection:
                self._is_here = take_claim(connection, self._name, self._me, self._detail) is not None
            if not self._is_here:
                if self._told_trouble != "name":
                    log.error("claims: another process has this one's name %r now", self._me.called)
                self._told_trouble = "name"
                return
        wanted = self._wanted()
        with self._store.reading() as connection:
            claims = all_claims(connection)
        self._stop([name for name in self._held if name not in wanted])
        others = {c.name for c in claims if c.is_live and c.owner != self._me.owner}
        for kind in self._kinds:
            names = [name for name in self._mine(wanted) if _kind(name) == kind]
            most = share_of(kind, names, claims)
            here = [name for name in names if name in self._held]
            # The first ones stay: the first part of the watch goes with the alarms about the service.
            self._stop(here[most:])
            for name in names:
                if self._stopping.is_set() or len(here) >= most:
                    break
                if name in others or name in here:
                    continue
                with claiming(self._store) as connection:
                    epoch = take_claim(connection, name, self._me)
                if epoch is None:
                    continue
                try:
                    self._start(name, epoch, fenced(self._store, name, self._me.owner, epoch))
                except (
                    Exception
                ):  # whatever kept it from beginning, the claim must not stay: others may be able to
                    self._leave([name])
                    if is_first:
                        raise
                    log.exception("claims: %s cannot begin here; trying again", name)
                    continue
                here.append(name)

    def _start(self, name: str, epoch: int, store: Store) -> None:
        part = self._make(name, store)
        part.start()
        with self._lock:
            self._held[name] = _Held(epoch, part)
        self._metrics.work_owned.labels(name).set(1)
        if not self._store.is_sqlite:
            log.info("%s is done here from now on, the %d. to do it", name, epoch)

    def _stop(self, names: Sequence[str], *, leave: bool = True) -> None:
        """Stop parts in the order in which data flows, and let others have them."""
        for name in reversed(self._mine(names)):
            self._held[name].part.stop()
            with self._lock:
                self._held.pop(name)
            self._metrics.work_owned.labels(name).set(0)
            if leave and not self._store.is_sqlite:
                self._leave([name])

    def _leave(self, names: Sequence[str]) -> None:
        try:
            with claiming(self._store) as connection:
                leave_claims(connection, self._me, names)
        except SQLAlchemyError as problem:
            log.warning("claims: %s cannot be left, and runs out by itself: %s", names, _words(problem))


def _kind(name: str) -> str:
    return name.partition("/")[0]


def _words(problem: SQLAlchemyError) -> str:
    return " ".join(str(getattr(problem, "orig", None) or problem).split())
