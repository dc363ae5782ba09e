"""Whether the service does its work now, for whoever asks: load balancers, containers, `standingwatch
status`.

Nobody has to sign in to ask, so that the answer is made of words of our own: errors of the database, which
tell hosts and users, stay in the log. It may be asked often: the store is written to once in `KEEP_S` at
most.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from standingwatch.notify.heartbeat import STORE_WAIT_S, WATCH_STILL_S, Probe, ServiceState
from standingwatch.notify.supervisor import Pulse, still_loops

log = logging.getLogger("standingwatch.readiness")

#: How long an answer holds [s].
KEEP_S = 2.0

#: A loop that has not gone round for so long hangs or has ended: only another start helps [s]. The time that
#: WatchdogSec= in the unit of systemd gives too.
STILL_S = 120.0


STORE_WORDS = "the store cannot be written; see the log"
LAYOUT_WORDS = (
    "the layout of the store is that of another version; run the version that wrote it, or a later one"
)


class LayoutError(Exception):
    """The tables do not have this version's layout."""


class Health:
    """How the service is, from memory and from one small write to the store.

    Args:
        state: how far it has come; from memory, without waiting for anything.
        prove_store: writes to the store, or raises what is wrong; may take any time.
        layout_is_ours: whether the store has this version's layout; likewise.
        pulses: gives the loops that have to go on, by name; none before they have begun.
        clock: now [Unix microseconds].
        intake_late_s: how far the intake may be behind now [s].
        monotonic: a clock that nobody sets [s].
    """

    def __init__(
        self,
        state: Callable[[], ServiceState],
        prove_store: Callable[[], None],
        layout_is_ours: Callable[[], bool],
        pulses: Callable[[], Mapping[str, Pulse]],
        *,
        clock: Callable[[], int],
        intake_late_s: float,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._state = state
        self._pulses = pulses
        self._clock = clock
        self._intake_late_s = intake_late_s
        self._monotonic = monotonic
        self._began_s = monotonic()
        self._prove_store, self._layout_is_ours = prove_store, layout_is_ours
        self._probe = Probe(self._prove, monotonic)
        self._lock = threading.Lock()
        self._answer: tuple[float, dict[str, Any]] | None = None
        self._told_problem = ""

    def stop(self) -> None:
        """End."""
        self._probe.stop()

    def still(self) -> list[str]:
        """Why the process is not alive, in words: loops that hang or have ended; empty while it is."""
        return still_loops(self._pulses(), STILL_S, self._monotonic())

    def has_begun(self) -> bool:
        """Whether the watch has made a pass."""
        state = self._state()
        return state.watch_last_pass_us is not None or not state.does_watch

    def reasons(self) -> list[str]:
        """Why the service is not ready, in words; empty where it is."""
        return list(self.now()["reasons"])

    def now(self) -> dict[str, Any]:
        """Whether the service is ready, and every reason why not.

        Returns:
            `ready`; `reasons`, in words; `store_reachable`, whether it can be written and has our layout;
            `broker_connected`; `watch_lag_s`, how far the watch is behind the newest arrival; `queue`,
            messages received and not yet kept; `horizon_age_s`, how old the time is up to which all that was
            sent is kept, None before it is known; `uptime_s`. Not changed afterwards.
        """
        with self._lock:
            if self._answer is None or self._monotonic() - self._answer[0] >= KEEP_S:
                answer = self._ask()
                # What the wait for the store took is not part of how long an answer holds.
                self._answer = (self._monotonic(), answer)
            return self._answer[1]

    def _prove(self) -> None:
        """Raise what is wrong with the store."""
        if not self._layout_is_ours():
            raise LayoutError(LAYOUT_WORDS)
        self._prove_store()

    def _ask(self) -> dict[str, Any]:
        store_problem = self._probe.problem(STORE_WAIT_S)
        if store_problem != self._told_problem and store_problem:
            log.warning("not ready: %s", store_problem)
        self._told_problem = store_problem
        state, now_us = self._state(), self._clock()
        age_s = None if state.intake_until_us is None else max(0.0, (now_us - state.intake_until_us) / 1e6)
        still_s = None
        if state.watch_last_pass_us is not None:
            still_s = max(0.0, (now_us - state.watch_last_pass_us) / 1e6)
        reasons = []
        if store_problem:
            reasons.append(LAYOUT_WORDS if store_problem == LAYOUT_WORDS else STORE_WORDS)
        if state.does_intake and not state.intake_connected:
            reasons.append("the intake has no connection to the broker")
        if not state.does_intake:
            pass
        elif age_s is None:
            reasons.append("the intake has kept nothing since the start, nor said that it is connected")
        elif age_s > self._intake_late_s:
            reasons.append(f"the intake is {age_s:.0f} s behind")
        if not state.does_watch:
            pass
        elif still_s is None:
            reasons.append("the watch has finished no pass since the start")
        elif still_s > WATCH_STILL_S:
            reasons.append(f"the watch has finished no pass for {still_s:.0f} s")
        return {
            "ready": not reasons,
            "reasons": reasons,
            "store_reachable": not store_problem,
            "broker_connected": state.intake_connected,
            "watch_lag_s": round(state.watch_lag_s, 3),
            "queue": state.intake_queue,
            "horizon_age_s": None if age_s is None else round(age_s, 3),
            "uptime_s": round(self._monotonic() - self._began_s, 3),
        }
