"""The outbox: a thread per channel that delivers what waits, in order, until it has arrived."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from sqlalchemy.exc import DBAPIError
from tenacity import RetryCallState, Retrying, retry_if_exception_type
from tenacity.nap import sleep_using_event
from tenacity.stop import stop_when_event_set
from tenacity.wait import wait_exponential_jitter

from standingwatch.metrics import Metrics
from standingwatch.notify.channel import Channel, DeliveryError
from standingwatch.store.alarming import (
    Message,
    mark_delivered,
    mark_failed,
    waiting_counts,
    waiting_messages,
)
from standingwatch.store.connect import Store

log = logging.getLogger("standingwatch.notify")

#: How often the outbox is looked at when nobody says that there is something in it [s].
LOOK_EVERY_S = 2.0


class OutboxWorker:
    """Delivers the messages of one channel.

    Args:
        channel: the way out.
        store: where the outbox is.
        metrics: what is counted.
        clock: now [Unix microseconds].
        refresh: called before each look into the outbox; may raise `DeliveryError`.
    """

    def __init__(
        self,
        channel: Channel,
        store: Store,
        metrics: Metrics,
        clock: Callable[[], int],
        refresh: Callable[[], None] = lambda: None,
    ) -> None:
        self._channel = channel
        self._store = store
        self._metrics = metrics
        self._clock = clock
        self._refresh = refresh
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._waiting: list[Message] = []
        self._thread = threading.Thread(target=self._run, name=f"notify-{channel.name}", daemon=True)

    def start(self) -> None:
        """Deliver on a thread of its own."""
        self._thread.start()

    def wake(self) -> None:
        """Say that there is something new."""
        self._wake.set()

    def stop(self) -> None:
        """Stop; what waits is delivered after the next start."""
        self._stopping.set()
        self._wake.set()
        self._thread.join()
        self._channel.close()

    def _run(self) -> None:
        while not self._stopping.is_set():
            tries = Retrying(
                retry=retry_if_exception_type((DeliveryError, DBAPIError)),
                wait=wait_exponential_jitter(multiplier=0.5, max=60.0, jitter=0.5),
                stop=stop_when_event_set(self._stopping),
                sleep=sleep_using_event(self._stopping),
                before_sleep=self._failed,
                retry_error_callback=lambda _state: None,
            )
            tries(self._deliver_all)
            self._wake.wait(LOOK_EVERY_S)
            self._wake.clear()

    def _deliver_all(self) -> None:
        """Deliver until nothing waits."""
        while not self._stopping.is_set():
            self._waiting = []
            self._refresh()
            with self._store.reading() as connection:
                self._waiting = waiting_messages(connection, self._channel.name)
                counts = waiting_counts(connection)
            self._metrics.outbox_waiting.labels(self._channel.name).set(counts.get(self._channel.name, 0))
            if not self._waiting:
                return
            self._channel.deliver(self._waiting)
            with self._store.writing() as connection:
                mark_delivered(connection, [m.id for m in self._waiting], self._clock())
            self._metrics.deliveries.labels(self._channel.name, "delivered").inc(len(self._waiting))

    def _failed(self, state: RetryCallState) -> None:
        """Note a failed try where a person and the outbox see it."""
        error = state.outcome.exception() if state.outcome is not None else None
        log.warning("channel %s: %s; trying again", self._channel.name, error)
        self._metrics.deliveries.labels(self._channel.name, "failed").inc()
        if self._waiting and isinstance(error, DeliveryError):
            try:
                with self._store.writing() as connection:
                    mark_failed(connection, self._waiting[0].id, str(error))
            except DBAPIError as store_error:
                log.warning("outbox: a failed try cannot be noted: %s", store_error)
