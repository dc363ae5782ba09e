"""The intake: messages from the broker into the store, acknowledged when they are safe and not before."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

import paho.mqtt.client as mqtt

from standingwatch.courtesy import Courtesy
from standingwatch.intake.connection import BrokerConnection
from standingwatch.intake.queue import Queue
from standingwatch.intake.routes import profile_filters
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer, Written
from standingwatch.metrics import Metrics
from standingwatch.readings import link_filter, report_filter
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.spans import span
from standingwatch.store.passing import is_passing
from standingwatch.store.reports import Horizon

log = logging.getLogger("standingwatch.intake")

#: A stream that is this little behind has caught up [s].
CAUGHT_UP_LAG_S = 60.0

#: Silence on the connection after which what the broker had queued is taken to have come [s].
SETTLE_S = 1.0


#: Silence after which a session that is to end holds nothing any more [s].
LEAVING_S = 3.0

#: A batch is so many times smaller while somebody waits for a page, so that it is sooner over.
PARTS_BESIDE_PAGES = 8

#: How often the intake says how far it has come [s], and how soon it does so again with a batch, where that
#: takes no transaction of its own.
HORIZON_EVERY_S, HORIZON_GAP_S = 0.5, 0.05


class Intake:
    """Takes reports from the broker until it is stopped.

    Args:
        broker: where the broker is.
        settings: of the intake.
        writer: what puts batches into the store.
        metrics: what is counted.
        clock: now [Unix microseconds].
        number: which of the sessions that share the reports this is.
        share: name under which they share them.
        is_leaving: the session is one too many by now: what it holds is taken in, and it is ended.
        courtesy: who waits for pages of this process; None where it serves none.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        settings: IntakeSettings,
        writer: Writer,
        metrics: Metrics,
        clock: Callable[[], int],
        *,
        number: int = 0,
        share: str = "standingwatch",
        is_leaving: bool = False,
        courtesy: Courtesy | None = None,
    ) -> None:
        self._settings = settings
        self._writer = writer
        self._metrics = metrics
        self._clock = clock
        self._queue = Queue(settings.queue_limit, settings.queue_limit_bytes, broker.topic_root)
        self._stopping = threading.Event()
        self._name = broker.client_id
        self._since_us = 0
        self._caught_up = False
        self._last_message = time.monotonic()
        self._last_horizon = 0.0
        #: Up to when all that was sent is kept [Unix microseconds]; None before that was first known.
        self.until_us: int | None = None
        #: When the loop last went round, after a batch that failed too; on the monotonic clock [s].
        self.turned_s = time.monotonic()
        self._is_leaving = is_leaving
        self._courtesy = courtesy if courtesy is not None else Courtesy()
        reports = (report_filter(broker.topic_root), *profile_filters(writer.profiles))
        shared = tuple(f"$share/{share}/{one}" for one in reports)
        # A broker gives what it retains, as link states, to subscriptions that are not shared.
        links = (link_filter(broker.topic_root),) if number == 0 else ()
        filters = (*(shared if settings.sessions > 1 else reports), *links)
        if is_leaving:
            filters = ()
        self.connection = BrokerConnection(
            broker,
            broker.client_id,
            metrics,
            filters=filters,
            # What the session of this name was subscribed to while there were more or fewer of them.
            not_filters=tuple(one for one in (*shared, *reports) if one not in filters),
            on_message=self._arrived,
            keeps_session=True,
        )
        self._is_away = True
        self.connection.on_ready = self._ready
        self.connection.on_lost = self._lost
        self._others: list[BrokerConnection] = []
        self._thread = threading.Thread(target=self._run, name="intake", daemon=True)
        metrics.queue_messages.set_function(lambda: len(self._queue))

    @property
    def queue_length(self) -> int:
        """Messages received and not yet kept."""
        return len(self._queue)

    def start(self) -> None:
        """Connect, and take reports in."""
        self._thread.start()
        self.connection.start()

    def offer(self, message: Arrived) -> None:
        """Take in a message that another part made of what it heard; waits while the queue is full."""
        self._metrics.intake_held_back.inc(self._queue.put(message))

    def depend_on(self, connection: BrokerConnection) -> None:
        """Reports come over another connection too: while it is gone, nobody can be said to be silent."""
        self._others.append(connection)

    def stop(self) -> None:
        """Stop taking in; what is not committed stays with the broker."""
        self._stopping.set()
        self._queue.close()
        self._thread.join()
        self.connection.stop()

    # Network thread -------------------------------------------------------------------------------------

    def _ready(self) -> None:
        self._back()
        self.begin_anew()

    def _lost(self) -> None:
        self._is_away = True

    def _back(self) -> None:
        """Note when messages could reach us again: what the broker had kept comes before we are ready."""
        if self._is_away:
            self._is_away = False
            self._writer.resumed_us = self._clock()

    def begin_anew(self) -> None:
        """Reports can reach us (again): silence counts from now on."""
        self._since_us = self._clock()
        self._caught_up = False
        self._last_message = time.monotonic()

    def _arrived(self, message: mqtt.MQTTMessage, connection: int) -> None:
        self._back()
        topic: str = message.topic
        waited_s = self._queue.put(
            Arrived(
                topic,
                bytes(message.payload),
                self._clock(),
                message.retain,
                message.mid,
                message.qos,
                connection,
                is_again=message.dup,
            )
        )
        if waited_s:
            self._metrics.intake_held_back.inc(waited_s)

    # Writer thread --------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.turned_s = time.monotonic()
            batch = self._queue.take(self._rows(), 0.25, self._settings.batch_wait_s)
            if batch:
                begin_s = self._last_message = time.monotonic()
                horizon = self._horizon_with(batch)
                written = self._write(batch, horizon)
                if written is None:
                    return
                if horizon is not None:
                    self._has_come_to(horizon)
                if written.lag_s < CAUGHT_UP_LAG_S and written.stored:
                    self._caught_up = True
                safe = self._queue.safe()
                self.connection.acknowledge_all([(m.message_id, m.qos, m.connection) for m in safe])
                self._metrics.intake_made_way.inc(self._courtesy.make_way(time.monotonic() - begin_s))
            self._move_horizon()

    def _rows(self) -> int:
        """Reports of the next batch."""
        most = self._settings.batch_rows
        return max(1, most // PARTS_BESIDE_PAGES) if self._courtesy.waiting else most

    def _horizon_with(self, batch: list[Arrived]) -> Horizon | None:
        """How far we have come with a batch, to be kept in its transaction; None where it is said later.

        A report is judged with its site's others when the horizon has passed it. To wait for the next time
        that it is said by itself would take longer than all else.
        """
        if (
            time.monotonic() - self._last_horizon < HORIZON_GAP_S
            or not self._caught_up
            or not self.connection.connected
            or self._is_leaving
            # What comes by two ways is not in order of receipt; what is joined is given up by the other way.
            or self._others
            or self._writer.waits_for_parts
        ):
            return None
        left_us = self._queue.oldest_waiting_us()
        newest_us = max(message.received_us for message in batch)
        until_us = newest_us if left_us is None else min(newest_us, left_us - 1)
        if until_us <= max(self.until_us or 0, self._since_us):
            return None
        return Horizon(self._since_us, until_us)

    def _has_come_to(self, horizon: Horizon) -> None:
        """It is kept how far we have come."""
        self._last_horizon, self.until_us = time.monotonic(), horizon.until_us
        self._metrics.intake_horizon.set(horizon.until_us / 1e6)

    def _write(self, batch: list[Arrived], horizon: Horizon | None) -> Written | None:
        """Commit a batch, however long the database is away; None when we are stopped meanwhile."""
        delay_s = 0.1
        while not self._stopping.is_set():
            self.turned_s = time.monotonic()
            try:
                with (
                    self._metrics.batch_seconds.time(),
                    span(self._metrics.spans, "batch", {"messages": len(batch)}),
                ):
                    return self._writer.write(batch, None if horizon is None else (self._name, horizon))
            except Exception as error:
                if not is_passing(error):
                    log.exception("the intake cannot go on")
                    raise
                self._metrics.batch_failures.inc()
                log.error("store: a batch of %d cannot be written, trying again: %s", len(batch), error)
                self._stopping.wait(delay_s)
                delay_s = min(2 * delay_s, 5.0)
        return None

    def _move_horizon(self) -> None:
        """Say how far we have come, from time to time and only while reports can reach us."""
        now = time.monotonic()
        if now - self._last_horizon < HORIZON_EVERY_S:
            return
        if not all(one.connected for one in (self.connection, *self._others)):
            return
        # Read before the queue is looked at: what comes in between is not covered.
        clock_us = self._clock()
        oldest_us = self._queue.oldest_us()
        idle = oldest_us is None
        if idle and now - self._last_message >= SETTLE_S:
            self._caught_up = True
        if not self._caught_up:
            return
        if self._is_leaving and idle and now - self._last_message >= LEAVING_S:
            self._writer.forget_horizon(self._name)
            self.connection.ends_session = True
            self._last_horizon = now
            return
        # What waits may have been sent by anybody when the oldest of it came, and never less than was said.
        until_us = max(clock_us if oldest_us is None else oldest_us - 1, self.until_us or 0)
        horizon = Horizon(self._since_us, until_us)
        try:
            self._writer.note_horizon(self._name, horizon)
        except Exception as error:
            if not is_passing(error):
                raise
            log.error("store: the intake's progress cannot be kept, trying again: %s", error)
            return
        self._has_come_to(horizon)
