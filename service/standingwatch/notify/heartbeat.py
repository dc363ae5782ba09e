"""The heartbeat: from time to time, that the service lives and how far it has come, retained at the broker.

It goes on when the store is full or away, and says so: nothing in it waits for the store. Whoever reads it
takes it for old when no new one has come for a few times `every_s`; the MQTT will takes its place when the
connection ends without a good-bye, and a clean stop says that it was one.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

from standingwatch import __version__
from standingwatch.alarms.event import rfc3339
from standingwatch.alarms.shape import Beat, BeatEnded
from standingwatch.metrics import Metrics
from standingwatch.readings import heartbeat_topic
from standingwatch.store.passing import Attempt

log = logging.getLogger("standingwatch.heartbeat")

#: How long a beat waits for the store's answer before it says that there is none [s].
STORE_WAIT_S = 2.0

#: How long a beat waits for the broker [s].
BROKER_WAIT_S = 5.0

#: The watch makes several passes a second, and one over a backlog may take seconds: it is not at work when it
#: has made none for so long [s].
WATCH_STILL_S = 60.0


@dataclass(frozen=True)
class ServiceState:
    """How far the service has come, from memory; None for what there is nothing of yet.

    Attributes:
        watch_until_us: up to when the watch has judged [Unix microseconds].
        watch_last_pass_us: when it last finished a pass [Unix microseconds].
        watch_lag_s: how far it is behind the newest arrival [s].
        intake_until_us: up to when the intake has kept all that was sent [Unix microseconds].
        intake_connected: whether reports can reach the intake.
        intake_queue: messages received and not yet kept.
        alarms: standing alarms by severity.
        does_watch, does_intake: whether this process watches and takes reports in; else another does.
    """

    watch_until_us: int | None = None
    watch_last_pass_us: int | None = None
    watch_lag_s: float = 0.0
    intake_until_us: int | None = None
    intake_connected: bool = False
    intake_queue: int = 0
    alarms: Mapping[str, int] = field(default_factory=dict)
    does_watch: bool = True
    does_intake: bool = True


class Publisher(Protocol):
    """What the heartbeat needs of a broker connection."""

    @property
    def connected(self) -> bool:
        """Whether something can be published now."""
        ...

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        """Publish at QoS 1 (topic, payload, retained) and wait for the broker's acknowledgement."""
        ...


def reasons_not_ready(
    state: ServiceState, store_problem: str, *, now_us: int, intake_late_s: float
) -> list[str]:
    """Every reason why the service does not do its work, in words; empty where it does.

    Args:
        state: how far it has come.
        store_problem: why the store cannot be written, "" where it can.
        now_us: now [Unix microseconds].
        intake_late_s: how far the intake may be behind now [s].
    """
    reasons = [f"the store cannot be written: {store_problem}"] if store_problem else []
    if state.does_intake and not state.intake_connected:
        reasons.append("the intake has no connection to the broker")
    if not state.does_intake:
        pass
    elif state.intake_until_us is None:
        reasons.append("the intake has kept nothing since the start")
    elif (late_s := (now_us - state.intake_until_us) / 1e6) > intake_late_s:
        reasons.append(f"the intake is {late_s:.0f} s behind")
    if not state.does_watch:
        pass
    elif state.watch_last_pass_us is None:
        reasons.append("the watch has finished no pass since the start")
    elif (still_s := (now_us - state.watch_last_pass_us) / 1e6) > WATCH_STILL_S:
        reasons.append(f"the watch has finished no pass for {still_s:.0f} s")
    return reasons


def _time(time_us: int | None) -> str | None:
    return rfc3339(time_us) if time_us else None


class Probe:
    """Asks something that may never answer, on a thread of its own.

    Args:
        ask: returns when all is well and raises what is wrong.
        monotonic: a clock that nobody sets [s].
    """

    def __init__(self, ask: Callable[[], None], monotonic: Callable[[], float] = time.monotonic) -> None:
        self._ask = ask
        self._monotonic = monotonic
        self._wanted = threading.Event()
        self._answered = threading.Event()
        self._stopping = False
        self._asked_at: float | None = None
        self._problem = ""
        self._thread = threading.Thread(target=self._run, name="heartbeat-store", daemon=True)
        self._thread.start()

    def problem(self, wait_s: float) -> str:
        """What is wrong now, "" for nothing; that there was no answer, after `wait_s` without one."""
        if self._asked_at is None:
            self._answered.clear()
            self._asked_at = self._monotonic()
            self._wanted.set()
        asked_at = self._asked_at
        if not self._answered.wait(wait_s):
            return f"no answer for {self._monotonic() - asked_at:.0f} s"
        self._asked_at = None
        return self._problem

    def stop(self) -> None:
        """End; a question that has no answer is left to the end of the process."""
        self._stopping = True
        self._wanted.set()
        self._thread.join(STORE_WAIT_S)

    def _run(self) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            if self._stopping:
                return
            try:
                self._ask()
            except Exception as problem:
                # Whatever it is goes out with the heartbeat, which is there to say it.
                log.debug("the store cannot be written", exc_info=True)
                self._problem = str(getattr(problem, "orig", None) or problem) or type(problem).__name__
            else:
                self._problem = ""
            self._answered.set()


class Heartbeat:
    """Says that the service lives until it is stopped.

    Args:
        publisher: a connection of its own, whose will is `will`.
        failure: what the publisher raises when the broker has not taken a message.
        root: first level of the topics.
        client_id: name of the service at the broker.
        state: how far the service has come; from memory, without waiting for anything.
        prove_store: writes to the store, or raises what is wrong; may take any time.
        metrics: where the heartbeat is shown.
        clock: now [Unix microseconds].
        every_s: time between two beats [s].
        intake_late_s: how far the intake may be behind now [s].
        monotonic: a clock that nobody sets [s].
    """

    def __init__(
        self,
        publisher: Publisher,
        failure: type[Exception],
        root: str,
        client_id: str,
        *,
        state: Callable[[], ServiceState],
        prove_store: Callable[[], None],
        metrics: Metrics,
        clock: Callable[[], int],
        every_s: float,
        intake_late_s: float,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._publisher = publisher
        self._failure = failure
        self._topic = heartbeat_topic(root)
        self._client_id = client_id
        self._state = state
        self._metrics = metrics
        self._clock = clock
        self._every_s = every_s
        self._intake_late_s = intake_late_s
        self._monotonic = monotonic
        self._began = monotonic()
        self._probe = Probe(prove_store, monotonic)
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._told_failure = ""
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        """Beat on a thread of its own."""
        self._thread.start()

    def beat_now(self) -> None:
        """Beat at once: after a connection was made the broker may hold the will of the one before."""
        self._wake.set()

    def stop(self) -> None:
        """Say that the service has stopped, and end."""
        self._stopping.set()
        self._wake.set()
        self._thread.join()
        self._publish(self._ended("stopped"))
        self._probe.stop()

    def beat(self) -> Beat:
        """What a beat says."""
        now_us, uptime_s = self._clock(), self._monotonic() - self._began
        state = self._state()
        reasons = reasons_not_ready(
            state,
            self._probe.problem(min(STORE_WAIT_S, self._every_s / 2)),
            now_us=now_us,
            intake_late_s=self._intake_late_s,
        )
        intake_lag_s = None
        if state.intake_until_us is not None:
            intake_lag_s = round(max(0, now_us - state.intake_until_us) / 1e6, 3)
        return {
            "time": rfc3339(now_us),
            "version": __version__,
            "client_id": self._client_id,
            "uptime_s": round(uptime_s, 3),
            "every_s": self._every_s,
            "ready": not reasons,
            "reasons": reasons,
            "watch": {
                "until": _time(state.watch_until_us),
                "last_pass": _time(state.watch_last_pass_us),
                "lag_s": round(state.watch_lag_s, 3),
            },
            "intake": {
                "until": _time(state.intake_until_us),
                "lag_s": intake_lag_s,
                "connected": state.intake_connected,
                "queue": state.intake_queue,
            },
            "alarms": dict(state.alarms),
        }

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.clear()
            # A mistake in it must not look like the service's end.
            beat: Beat = {
                "time": rfc3339(self._clock()),
                "ready": False,
                "reasons": ["see the log"],
                "version": __version__,
                "client_id": self._client_id,
            }
            with Attempt(log, "the heartbeat cannot say how the service is"):
                beat = self.beat()
            self._metrics.heartbeat.set(self._clock() / 1e6)
            if self._publisher.connected:
                self._publish(beat)
            self._wake.wait(self._every_s)

    def _publish(self, body: Beat | BeatEnded) -> None:
        try:
            payload = json.dumps(body, allow_nan=False).encode()
            self._publisher.publish([(self._topic, payload, True)], BROKER_WAIT_S)
        except self._failure as problem:
            self._metrics.heartbeats.labels("failed").inc()
            if str(problem) != self._told_failure:
                log.warning("heartbeat: %s", problem)
            self._told_failure = str(problem)
        else:
            self._metrics.heartbeats.labels("delivered").inc()
            self._told_failure = ""

    def _ended(self, how: Literal["stopped", "unexpectedly"]) -> BeatEnded:
        return ended(how, self._client_id, self._clock())


def ended(how: Literal["stopped", "unexpectedly"], client_id: str, time_us: int) -> BeatEnded:
    """What is retained in place of a heartbeat when there is none any more."""
    return {"time": rfc3339(time_us), "version": __version__, "client_id": client_id, "ended": how}


def will(root: str, client_id: str, clock: Callable[[], int]) -> Callable[[], tuple[str, bytes]]:
    """The MQTT will of the heartbeat's connection, to be made anew before each try to connect.

    Its `time` is when the connection was made: a will cannot know when the end comes.
    """

    def make() -> tuple[str, bytes]:
        body = ended("unexpectedly", client_id, clock())
        return heartbeat_topic(root), json.dumps(body).encode()

    return make
