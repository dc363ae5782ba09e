"""Makes the parts of the work that a process does: jobs, channels, the watch, sessions of the intake."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence

from standingwatch.alarms.watchman import WatchmanSettings as WatchmanLimits
from standingwatch.courtesy import Courtesy
from standingwatch.duties import Part
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.intake.service import Intake
from standingwatch.intake.sparkplug import SparkplugHost
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.jobs import Jobs
from standingwatch.metrics import Metrics
from standingwatch.notify.heartbeat import Heartbeat, ServiceState, will
from standingwatch.notify.make import BrokerLink, enabled_channels, make_worker
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.notify.supervisor import Pulse
from standingwatch.readings.profile import Profile
from standingwatch.settings import Settings
from standingwatch.store.connect import Store
from standingwatch.store.parts import parts_in_use
from standingwatch.store.reports import horizon_names
from standingwatch.store.review_due import plans_of
from standingwatch.store.sites import load_site_list
from standingwatch.store.watchman import prove_writable
from standingwatch.watch.judging import detection_settings, steady_settings
from standingwatch.watch.live import Watch, WatchOptions, no_evidence
from standingwatch.watch.pace import desk_options
from standingwatch.watch.watchman import Watchman


def fleet_defaults(settings: Settings) -> FleetDefaults:
    """What holds where the site list does not say."""
    return FleetDefaults(**settings.defaults.model_dump())


def event_source(settings: Settings) -> str:
    """The CloudEvents `source` of this service: the same after a restart, and in all of its processes."""
    return f"urn:standingwatch:{settings.broker.client_id}"


def watch_options(settings: Settings) -> WatchOptions:
    """What the watch needs of the settings."""
    return WatchOptions(
        detection=detection_settings(settings),
        defaults=fleet_defaults(settings),
        steady=steady_settings(settings),
        desk=desk_options(settings, event_source(settings)),
        rows_per_pass=settings.watch.rows_per_pass,
        pause_s=settings.watch.pause_s,
        late_pause_s=settings.watch.late_pause_s,
        in_order=settings.intake.sessions > 1,
    )


def session_names(settings: Settings, sessions: int) -> list[str]:
    """Identities of the intake's sessions at the broker; the first is that of the only one."""
    me = settings.broker.client_id
    return [me if number == 0 else f"{me}-{number + 1}" for number in range(sessions)]


class Several:
    """Parts that start and stop together, in order and in the reverse of it.

    Args:
        parts: in the order in which they start.
        ended: called when all have stopped.
    """

    def __init__(self, *parts: Part, ended: Callable[[], None] = lambda: None) -> None:
        self._parts, self._ended = parts, ended
        self._started: list[Part] = []

    def start(self) -> None:
        """Begin; what has begun already when one cannot is stopped."""
        try:
            for part in self._parts:
                part.start()
                self._started.append(part)
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """Finish what is under way, and end."""
        while self._started:
            self._started.pop().stop()
        self._ended()


class Crew:
    """Those who work in this process.

    Args:
        settings: all of them.
        store: where all is kept; parts of the work get one that is fenced by their claim.
        metrics: what is counted and shown.
        clock: now [Unix microseconds].
        profiles: payload profiles.
        is_wall_clock: whether `clock` is the wall's. One that runs faster than life, as the demo's, is always
            late and always jumps, so that nobody watches over the service itself.
        courtesy: who waits for pages of this process.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        metrics: Metrics,
        clock: Callable[[], int],
        profiles: tuple[Profile, ...],
        is_wall_clock: bool,
        courtesy: Courtesy,
    ) -> None:
        self._settings = settings
        self._store = store
        self._metrics = metrics
        self._clock = clock
        self._profiles = profiles
        self._is_wall_clock = is_wall_clock
        self._courtesy = courtesy
        self._connections: list[BrokerConnection] = []
        self._watches: dict[int, Watch] = {}
        self._intakes: dict[int, Intake] = {}
        self._workers: dict[str, OutboxWorker] = {}

    def wanted(self) -> list[str]:
        """Names of all the parts of the work that there are."""
        settings = self._settings
        with self._store.reading() as connection:
            parts, kept = parts_in_use(connection), horizon_names(connection)
        sessions = settings.intake.sessions
        # Sessions that there are too many of by now have to be emptied.
        while session_names(settings, sessions + 1)[-1] in kept:
            sessions += 1
        return [
            "jobs",
            *(f"notify/{channel}" for channel in enabled_channels(settings)),
            *(f"watch/{part}" for part in parts),
            *(f"intake/{number}" for number in range(sessions)),
        ]

    def begin(self, name: str, store: Store) -> Part:
        """Make a part of the work; it is not started.

        Args:
            name: one of `wanted`.
            store: for it alone.

        Raises:
            ChannelError: a channel cannot be made of its settings.
        """
        kind, _, rest = name.partition("/")
        if kind == "jobs":
            return self._jobs(store)
        if kind == "notify":
            return self._notify(rest, store)
        if kind == "watch":
            return self._watch(int(rest), store)
        return self._intake(int(rest), store)

    # How it goes ----------------------------------------------------------------------------------------

    def state(self) -> ServiceState:
        """How far those have come that are here, from memory."""
        watches, intakes = list(self._watches.values()), list(self._intakes.values())
        alarms: dict[str, int] = {}
        for watch in watches:
            for word, count in watch.standing.items():
                alarms[word] = alarms.get(word, 0) + count
        return ServiceState(
            watch_until_us=_least([watch.until_us for watch in watches]),
            watch_last_pass_us=_least([watch.last_pass_us for watch in watches]),
            watch_lag_s=max((watch.lag_s for watch in watches), default=0.0),
            intake_until_us=_least([intake.until_us for intake in intakes]),
            intake_connected=bool(intakes) and all(intake.connection.connected for intake in intakes),
            intake_queue=sum(intake.queue_length for intake in intakes),
            alarms=alarms,
            does_watch=bool(watches),
            does_intake=bool(intakes),
        )

    def pulses(self) -> dict[str, Pulse]:
        """The loops that have to go on; one that is not here now goes on elsewhere."""
        return {
            "watch": lambda: min(
                (w.turned_s for w in list(self._watches.values())), default=time.monotonic()
            ),
            "intake": lambda: min(
                (i.turned_s for i in list(self._intakes.values())), default=time.monotonic()
            ),
        }

    def has_begun(self) -> bool:
        """Whether every part of the watch that is here has made a pass."""
        return all(watch.last_pass_us is not None for watch in list(self._watches.values()))

    def wake(self) -> None:
        """There are messages for channels."""
        for worker in list(self._workers.values()):
            worker.wake()

    # Making ---------------------------------------------------------------------------------------------

    def _connect(self, connection: BrokerConnection) -> BrokerConnection:
        self._connections.append(connection)
        return connection

    def _jobs(self, store: Store) -> Jobs:
        settings = self._settings
        return Jobs(
            store,
            settings.store,
            self._metrics,
            self._clock,
            plans_of(settings, event_source(settings)),
            keep_reviews_days=settings.review.keep_days,
            keep_audit_days=settings.access.keep_audit_days,
            is_wall_clock=self._is_wall_clock,
        )

    def _notify(self, channel: str, store: Store) -> Part:
        link, parts = None, list[Part]()
        publisher = None
        if channel == "mqtt":
            me = self._settings.broker.client_id
            publisher = BrokerConnection(self._settings.broker, f"{me}-notify", self._metrics)
            link = BrokerLink(publisher, BrokerError)
        worker = make_worker(self._settings, channel, store, self._metrics, self._clock, link)
        if publisher is not None:
            parts.append(self._connect(publisher))
        self._workers[channel] = worker

        def ended() -> None:
            del self._workers[channel]
            if publisher is not None:
                self._connections.remove(publisher)

        return Several(*parts, worker, ended=ended)

    def _watch(self, part: int, store: Store) -> Part:
        watches_itself = part == 0 and self._is_wall_clock
        watch = Watch(
            store,
            watch_options(self._settings),
            self._metrics,
            self._clock,
            self.wake,
            self._watchman().evidence if watches_itself else no_evidence,
            part=part,
        )
        self._watches[part] = watch
        parts: list[Part] = [*self._heartbeat()] if watches_itself else []
        connections = [one for one in parts if isinstance(one, BrokerConnection)]

        def ended() -> None:
            del self._watches[part]
            for connection in connections:
                self._connections.remove(connection)

        return Several(*parts, watch, ended=ended)

    def _watchman(self) -> Watchman:
        settings = self._settings
        return Watchman(
            self._store,
            WatchmanLimits(**settings.watchman.model_dump()),
            self._metrics,
            job_intervals=self._jobs(self._store).intervals(),
            channels=enabled_channels(settings),
            connections=lambda: {c.name: c.down_s for c in list(self._connections)},
        )

    def _heartbeat(self) -> Sequence[Part]:
        """Say at the broker, again and again, that we are at work: the connection, and what does it."""
        settings, me = self._settings, self._settings.broker.client_id
        root = settings.broker.topic_root
        last_words = will(root, me, self._clock)
        connection = BrokerConnection(settings.broker, f"{me}-heartbeat", self._metrics, will=last_words)
        heartbeat = Heartbeat(
            connection,
            BrokerError,
            root,
            me,
            state=self.state,
            prove_store=lambda: prove_writable(self._store, self._clock()),
            metrics=self._metrics,
            clock=self._clock,
            every_s=settings.watchman.heartbeat_s,
            intake_late_s=settings.watchman.intake_late_s,
        )
        connection.on_ready = heartbeat.beat_now
        return self._connect(connection), heartbeat

    def _intake(self, number: int, store: Store) -> Part:
        settings = self._settings
        sessions = settings.intake.sessions
        me = session_names(settings, number + 1)[number]
        broker = settings.broker.model_copy(update={"client_id": me})
        with self._store.reading() as connection:
            # Others may still be emptied that there are too many of.
            is_shared = sessions > 1 or len(horizon_names(connection)) > 1
        writer = Writer(
            store,
            settings.intake,
            fleet_defaults(settings),
            settings.broker.topic_root,
            self._metrics,
            self._clock,
            self._profiles,
            is_shared,
        )
        intake = Intake(
            broker,
            settings.intake,
            writer,
            self._metrics,
            self._clock,
            number=number,
            share=re.sub(r"[/+#$]", "-", settings.broker.client_id),
            is_leaving=number >= sessions,
            courtesy=self._courtesy,
        )
        connections = [self._connect(intake.connection)]
        self._intakes[number] = intake
        self._show_queue()
        parts: list[Part] = [intake]
        if settings.sparkplug.enabled and number == 0:
            # Before the intake, so that it ends after it: its messages must never wait for a queue that
            # nobody empties any more.
            host = self._sparkplug(intake)
            connections.append(self._connect(host.connection))
            parts.insert(0, host)

        def ended() -> None:
            del self._intakes[number]
            for connection in connections:
                self._connections.remove(connection)

        return Several(*parts, ended=ended)

    def _show_queue(self) -> None:
        self._metrics.queue_messages.set_function(
            lambda: sum(intake.queue_length for intake in list(self._intakes.values()))
        )

    def _sparkplug(self, intake: Intake) -> SparkplugHost:
        """A host application for Sparkplug B, which puts what it hears into the intake's queue."""
        settings = self._settings
        host = SparkplugHost(
            settings.broker,
            settings.sparkplug,
            settings.intake,
            self._profiles,
            intake.offer,
            self._metrics,
            self._clock,
            self._places,
        )
        host.on_ready = intake.begin_anew
        intake.depend_on(host.connection)
        return host

    def _places(self) -> list[tuple[str, str, str]]:
        """The site list: site, transmitter, name of its profile or ""."""
        with self._store.reading() as connection:
            rows = load_site_list(connection).rows
        return [(row.site, row.transmitter, row.profile or "") for row in rows]


def _least(values: Sequence[int | None]) -> int | None:
    """The least of some times; None where one is not known, or there is none."""
    known = [value for value in values if value is not None]
    return min(known) if known and len(known) == len(values) else None
