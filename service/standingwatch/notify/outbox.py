"""The outbox: a thread per channel that delivers what waits, in order per alarm, until it has arrived.

A round hands over all that waits, oldest first. What happens to it:

- It arrives: that is noted. A crash in between repeats it, with the same id.
- The receiver refuses it for good: it becomes a dead letter at once, with the reason, and later ones go on.
- The receiver cannot take it now: it and the later messages of its alarm are held back for a while (growing,
  or as long as the receiver says); those of other alarms go on. When many in a row fare like that, it is the
  channel that ails.
- The channel is down: the round ends, and the channel waits (growing, with jitter).

What was tried for longer than `Patience.give_up_after_s` becomes a dead letter too. Dead letters are kept,
and can be sent again.
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError
from tenacity import RetryCallState, Retrying, retry_if_exception_type
from tenacity.nap import sleep_using_event
from tenacity.stop import stop_when_event_set
from tenacity.wait import wait_exponential_jitter

from standingwatch.metrics import Metrics
from standingwatch.notify.channel import (
    Channel,
    DeliveryError,
    MessageError,
    PostponedError,
    RefusedError,
)
from standingwatch.spans import About, span
from standingwatch.store.connect import Store
from standingwatch.store.outbox import (
    Message,
    Subject,
    channel_state,
    failing,
    give_up,
    mark_dead,
    mark_delivered,
    mark_failed,
    note_failing,
    note_well,
    waiting_messages,
)
from standingwatch.store.passing import tell

log = logging.getLogger("standingwatch.notify")

_RANDOM = random.SystemRandom()

#: How often the outbox is looked at when nobody says that there is something in it [s].
LOOK_EVERY_S = 2.0

#: Messages that are read from the outbox at once.
PAGE = 500

#: So many messages in a row that a receiver cannot take now mean that the channel as a whole ails.
MANY_IN_A_ROW = 5

#: Longest error that is kept [characters].
LONGEST_ERROR = 500

#: How long `stop` waits for a delivery under way [s]; one that is left is repeated after the next start.
STOP_WITHIN_S = 3.0


@dataclass(frozen=True)
class Patience:
    """How long failures are waited for and tried again. Times are seconds.

    Attributes:
        give_up_after_s: how long a message is tried before it becomes a dead letter.
        least_tries: how often it is tried at least before that, where only the message itself fails.
        first_s: wait after a first failure; doubles with each, plus a jitter of up to as much again.
        channel_most_s: longest wait of a channel that is down.
        message_most_s: longest wait of a message that a receiver cannot take now.
        retry_after_most_s: longest wait that a receiver may ask for.
    """

    give_up_after_s: float = 72 * 3600.0
    least_tries: int = 10
    first_s: float = 0.5
    channel_most_s: float = 60.0
    message_most_s: float = 300.0
    retry_after_most_s: float = 3600.0

    def message_wait_s(self, tries: int, retry_after_s: float | None) -> float:
        """How long a message waits after so many failures [s], as its receiver asks or growing with them."""
        if retry_after_s is not None:
            return min(max(retry_after_s, self.first_s), self.retry_after_most_s)
        grown = min(self.first_s * 2.0 ** min(tries, 30), self.message_most_s)
        return grown + _RANDOM.uniform(0, self.first_s)


class OutboxWorker:
    """Delivers the messages of one channel.

    Args:
        channel: the way out.
        store: where the outbox is.
        metrics: what is counted.
        clock: now [Unix microseconds].
        refresh: called at the beginning of each round; may raise `DeliveryError`.
        patience: how long failures are waited for.
    """

    def __init__(
        self,
        channel: Channel,
        store: Store,
        metrics: Metrics,
        clock: Callable[[], int],
        refresh: Callable[[], None] = lambda: None,
        patience: Patience | None = None,
    ) -> None:
        self._channel = channel
        self._name = channel.name
        self._store = store
        self._metrics = metrics
        self._clock = clock
        self._refresh = refresh
        self._patience = patience or Patience()
        self._wake = threading.Event()
        self._stopping = threading.Event()
        #: When the messages of an alarm may be tried again, where one was postponed [s of `time.monotonic`].
        self._held: dict[Subject, float] = {}
        #: What has arrived and could not be noted.
        self._arrived: list[Message] = []
        self._postponed_in_a_row = 0
        self._progress = False
        self._first: Message | None = None
        self._is_failing: bool | None = None
        self._thread = threading.Thread(target=self._run, name=f"notify-{self._name}", daemon=True)

    @property
    def name(self) -> str:
        """The channel's name."""
        return self._name

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
        self._thread.join(STOP_WITHIN_S)
        if self._thread.is_alive():
            log.warning("channel %s: a delivery is under way and is left to itself", self._name)
        self._channel.close()

    def _run(self) -> None:
        patience = self._patience
        while not self._stopping.is_set():
            tries = Retrying(
                # Whatever happened: a worker that ends would leave its channel silent, and nobody the wiser.
                retry=retry_if_exception_type(Exception),
                wait=wait_exponential_jitter(
                    multiplier=patience.first_s, max=patience.channel_most_s, jitter=patience.first_s
                ),
                stop=stop_when_event_set(self._stopping),
                sleep=sleep_using_event(self._stopping),
                before_sleep=self._failed,
                retry_error_callback=lambda _state: None,
            )
            tries(self._round)
            self._wake.wait(self._pause_s())
            self._wake.clear()

    def _pause_s(self) -> float:
        """How long to wait for news before the outbox is looked at again [s]."""
        due = min(self._held.values(), default=float("inf")) - time.monotonic()
        return min(max(due, 0.0), LOOK_EVERY_S)

    # A round --------------------------------------------------------------------------------------------

    def _round(self) -> None:
        """Hand over all that waits and is not held back."""
        self._progress, self._first = False, None
        now = time.monotonic()
        self._held = {subject: due for subject, due in self._held.items() if due > now}
        if self._arrived:
            self._note_arrived([])
        try:
            self._refresh()
            after_id = 0
            while not self._stopping.is_set():
                with self._store.reading() as connection:
                    page = waiting_messages(connection, self._name, PAGE, after_id)
                if not page:
                    break
                after_id = page[-1].id
                self._hand_over_page(page)
        except DeliveryError as error:
            self._show()
            if not self._progress:
                raise
            # A channel that takes some before it fails is not waited for longer each time.
            self._note_channel_failure(error)
            self._stopping.wait(self._patience.first_s)
            return
        if not self._stopping.is_set():  # a round that was cut short has found out nothing
            self._note_channel_well()
        self._show()

    def _hand_over_page(self, page: Sequence[Message]) -> None:
        most = self._channel.most_at_once
        batch: list[Message] = []
        for message in page:
            if self._stopping.is_set():
                return
            if self._is_held(message.subject):
                continue
            batch.append(message)
            if len(batch) >= most:
                self._hand_over(batch)
                batch = []
        if batch:
            self._hand_over(batch)

    def _is_held(self, subject: Subject) -> bool:
        """Whether an earlier message of the same alarm waits for its next try; decided anew by each round."""
        return subject in self._held

    def _hand_over(self, batch: list[Message]) -> None:
        self._first = batch[0]
        try:
            about: About = {"channel": self._name, "messages": len(batch)}
            with span(self._metrics.spans, "delivery", about):
                self._channel.deliver(batch)
        except MessageError as error:
            if len(batch) == 1:
                self._set_aside(batch[0], error)
                return
        except DeliveryError:
            raise
        except Exception as error:  # noqa: BLE001  it must not stop the others, nor be lost: maybe our bug
            tell(log, error, "channel %s: unexpected trouble with %s", self._name, _named(batch))
            if len(batch) == 1:
                self._set_aside(batch[0], PostponedError(f"{type(error).__name__}: {error}"))
                return
        else:
            self._postponed_in_a_row = 0
            self._progress = True
            self._note_arrived(batch)
            self._metrics.deliveries.labels(self._name, "delivered").inc(len(batch))
            return
        # Which of them it was is known when they go one by one.
        for message in batch:
            if self._stopping.is_set():
                return
            if not self._is_held(message.subject):
                self._hand_over([message])

    def _note_arrived(self, batch: list[Message]) -> None:
        """Note what has arrived; what cannot be noted now is noted later and not delivered once more."""
        self._arrived += batch
        with self._store.writing() as connection:
            mark_delivered(connection, [m.id for m in self._arrived], self._clock())
        self._arrived = []

    def _set_aside(self, message: Message, error: MessageError) -> None:
        """Deal with a message that did not arrive, while the channel is there."""
        now_us = self._clock()
        text = str(error)[:LONGEST_ERROR]
        tries = message.tries + 1
        too_old = now_us - message.made_us >= self._patience.give_up_after_s * 1e6
        if isinstance(error, RefusedError) or (too_old and tries >= self._patience.least_tries):
            with self._store.writing() as connection:
                mark_dead(connection, message.id, now_us, text)
            self._metrics.deliveries.labels(self._name, "dead").inc()
            log.error(
                "channel %s: %s is a dead letter after %d tries: %s",
                self._name,
                _named([message]),
                tries,
                text,
            )
            return
        retry_after_s = error.retry_after_s if isinstance(error, PostponedError) else None
        wait_s = self._patience.message_wait_s(message.tries, retry_after_s)
        self._held[message.subject] = time.monotonic() + wait_s
        with self._store.writing() as connection:
            mark_failed(connection, message.id, text)
        self._metrics.deliveries.labels(self._name, "failed").inc()
        log.warning("channel %s: %s: %s; again in %.0f s", self._name, _named([message]), text, wait_s)
        self._first = None
        self._postponed_in_a_row += 1
        if self._postponed_in_a_row >= MANY_IN_A_ROW:
            self._postponed_in_a_row = 0
            raise DeliveryError(f"{MANY_IN_A_ROW} messages in a row did not arrive; the last: {text}")

    # The channel as a whole -----------------------------------------------------------------------------

    def _failed(self, state: RetryCallState) -> None:
        """Note a failed round where a person and the outbox see it."""
        error = state.outcome.exception() if state.outcome is not None else None
        if isinstance(error, DeliveryError | DBAPIError):
            self._note_channel_failure(error)
        else:
            if error is not None:
                tell(log, error, "channel %s: unexpected trouble", self._name)
            self._note_channel_failure(DeliveryError(f"{type(error).__name__}: {error}"))

    def _note_channel_failure(self, error: Exception) -> None:
        text = str(error)[:LONGEST_ERROR]
        log.warning("channel %s: %s; trying again", self._name, text)
        self._metrics.deliveries.labels(self._name, "failed").inc()
        if isinstance(error, DBAPIError):
            return  # of the store, which is where it would be noted
        self._is_failing = True
        now_us = self._clock()
        try:
            with self._store.writing() as connection:
                if self._first is not None:
                    mark_failed(connection, self._first.id, text)
                since_us = note_failing(connection, self._name, now_us, text).since_us
                long_ago_us = now_us - round(self._patience.give_up_after_s * 1e6)
                if since_us <= long_ago_us:
                    given_up = give_up(connection, self._name, long_ago_us, now_us, text)
                    if given_up:
                        self._metrics.deliveries.labels(self._name, "dead").inc(given_up)
                        log.error("channel %s: gave up on %d messages: %s", self._name, given_up, text)
        except DBAPIError as store_error:
            log.warning("outbox: a failed try cannot be noted: %s", store_error)

    def _note_channel_well(self) -> None:
        """Note that the channel works, if it was not known to."""
        if self._is_failing is None:
            with self._store.reading() as connection:
                self._is_failing = failing(connection, self._name) is not None
        if self._is_failing:
            with self._store.writing() as connection:
                note_well(connection, self._name)
            log.info("channel %s works again", self._name)
        self._is_failing = False

    def _show(self) -> None:
        with self._store.reading() as connection:
            state = channel_state(connection, self._name)
        oldest_us = state.oldest_waiting_us
        age_s = 0.0 if oldest_us is None else max(0.0, (self._clock() - oldest_us) / 1e6)
        self._metrics.outbox_waiting.labels(self._name).set(state.waiting)
        self._metrics.outbox_oldest_waiting.labels(self._name).set(age_s)
        self._metrics.outbox_dead.labels(self._name).set(state.dead)


def _named(batch: Sequence[Message]) -> str:
    """Messages as the log names them."""
    first = f"message {batch[0].id} ({batch[0].event_id})"
    return first if len(batch) == 1 else f"{first} and {len(batch) - 1} more"
