"""Wires the rooms into one running service."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Protocol

from prometheus_client import CollectorRegistry, GCCollector, PlatformCollector, ProcessCollector

from standingwatch import __version__
from standingwatch.alarms.watchman import WatchmanSettings as WatchmanLimits
from standingwatch.intake.again import put_in_again
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.intake.service import Intake
from standingwatch.intake.sparkplug import SparkplugHost
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.jobs import Jobs
from standingwatch.metrics import Metrics
from standingwatch.notify.heartbeat import Heartbeat, ServiceState, will
from standingwatch.notify.make import BrokerLink, ChannelError, enabled_channels, make_workers
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.notify.readiness import Health
from standingwatch.notify.supervisor import Pulse, ServiceManager, Supervisor
from standingwatch.readings.profile import Profile
from standingwatch.settings import Settings
from standingwatch.settings.cautions import is_loopback
from standingwatch.settings.profiles import profiles_of
from standingwatch.spans import SentSpans, SpansError
from standingwatch.store.connect import Store
from standingwatch.store.layout_now import layout_is_ours
from standingwatch.store.review_due import plans_of
from standingwatch.store.sites import load_site_list
from standingwatch.store.watchman import prove_writable
from standingwatch.watch.judging import detection_settings, in_us, steady_settings
from standingwatch.watch.live import Watch, WatchOptions
from standingwatch.watch.pace import desk_options
from standingwatch.watch.watchman import Watchman
from standingwatch.web.app import create_app
from standingwatch.web.serving import ServeError, WebServer

log = logging.getLogger("standingwatch")


def wall_clock() -> int:
    """Now [Unix microseconds]."""
    return time.time_ns() // 1000


def fleet_defaults(settings: Settings) -> FleetDefaults:
    """What holds where the site list does not say."""
    return FleetDefaults(**settings.defaults.model_dump())


def event_source(settings: Settings) -> str:
    """The CloudEvents `source` of this service: the same after a restart."""
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
    )


class StartError(Exception):
    """The service cannot start; the text says why and what to do."""


class Part(Protocol):
    """Something that runs on threads of its own."""

    def start(self) -> None:
        """Begin."""
        ...

    def stop(self) -> None:
        """Finish what is under way, and end."""
        ...


def _state_of(watch: Watch, intake: Intake) -> ServiceState:
    """How far both have come, from memory."""
    return ServiceState(
        watch_until_us=watch.until_us,
        watch_last_pass_us=watch.last_pass_us,
        watch_lag_s=watch.lag_s,
        intake_until_us=intake.until_us,
        intake_connected=intake.connection.connected,
        intake_queue=intake.queue_length,
        alarms=watch.standing,
    )


@dataclass
class Daemon:
    """The running service.

    Attributes:
        settings: all of them.
        clock: now [Unix microseconds]; another one than the wall's for the demo and for tests.
        notice: a sentence that every page shows.
        automatic_user: the operator that everybody is who has not signed in; on the loopback only.
    """

    settings: Settings
    clock: Callable[[], int] = wall_clock
    notice: str = ""
    automatic_user: str = ""
    registry: CollectorRegistry = field(default_factory=CollectorRegistry)

    def __post_init__(self) -> None:
        for collector in (ProcessCollector, PlatformCollector, GCCollector):
            collector(registry=self.registry)
        self.metrics = Metrics(self.registry)
        self.store = Store(self.settings.store.url.get_secret_value())
        self.web: WebServer | None = None
        self._profiles: tuple[Profile, ...] = ()
        self._workers: list[OutboxWorker] = []
        self._state: Callable[[], ServiceState] = ServiceState
        self._pulses: dict[str, Pulse] = {}
        self._started = ExitStack()

    def start(self) -> None:
        """Start everything; what is up already when this fails is stopped by `stop`."""
        settings = self.settings
        if self.automatic_user and not is_loopback(settings.web.host):
            raise StartError(
                f"web: {settings.web.host} can be reached by others, and nobody would have to sign in; "
                "set web.host to 127.0.0.1"
            )
        self._started.callback(self.store.close)
        self._begin_spans()
        self._profiles = self._usable_profiles()
        self.store.migrate()
        health = self._health()
        if settings.web.enabled:
            app = create_app(
                self.store,
                clock=self.clock,
                registry=self.registry,
                fleet_defaults=fleet_defaults(settings),
                limits=settings.limits,
                notice=self.notice,
                after_work_us=in_us(settings.desk.after_work_s),
                access=settings.access,
                bind_host=settings.web.host,
                automatic_user=self.automatic_user,
                retry=self._retry,
                topic_root=settings.broker.topic_root,
                time_required=settings.intake.time_if_absent == "refuse",
                profiles=settings.intake.profiles,
                health=health,
                hsts_s=settings.web.hsts_days * 86_400,
            )
            try:
                self.web = WebServer(app, settings.web, app.state.streams.close)
            except ServeError as error:
                raise StartError(str(error)) from error
            self._begin(self.web)
        connections: list[BrokerConnection] = []
        jobs = Jobs(
            self.store,
            settings.store,
            self.metrics,
            self.clock,
            plans_of(settings, event_source(settings)),
            keep_reviews_days=settings.review.keep_days,
            keep_audit_days=settings.access.keep_audit_days,
            is_wall_clock=self.clock is wall_clock,
        )
        watchman = Watchman(
            self.store,
            WatchmanLimits(**settings.watchman.model_dump()),
            self.metrics,
            job_intervals=jobs.intervals(),
            channels=enabled_channels(settings),
            connections=lambda: {c.name: c.down_s for c in connections},
        )
        watch = Watch(
            self.store,
            watch_options(settings),
            self.metrics,
            self.clock,
            self._alarms_changed,
            # A clock that runs faster than life, as the demo's, is always late and always jumps.
            **({"watch_over_itself": watchman.evidence} if self.clock is wall_clock else {}),
        )
        writer = Writer(
            self.store,
            settings.intake,
            fleet_defaults(settings),
            settings.broker.topic_root,
            self.metrics,
            self.clock,
            self._profiles,
        )
        intake = Intake(settings.broker, settings.intake, writer, self.metrics, self.clock)
        connections.append(intake.connection)
        self._pulses = {"watch": lambda: watch.turned_s, "intake": lambda: intake.turned_s}
        self._state = lambda: _state_of(watch, intake)
        if self.clock is wall_clock:
            connections.append(self._begin_heartbeat(intake))
        self._begin(jobs)
        link = None
        if settings.channels.mqtt.enabled:
            publisher = BrokerConnection(settings.broker, f"{settings.broker.client_id}-notify", self.metrics)
            connections.append(publisher)
            self._begin(publisher)
            link = BrokerLink(publisher, BrokerError)
        try:
            self._workers = make_workers(settings, self.store, self.metrics, self.clock, link)
        except ChannelError as error:
            raise StartError(str(error)) from error
        for worker in self._workers:
            self._begin(worker)
        self._begin(watch)
        if settings.sparkplug.enabled:
            # Before the intake, so that it ends after it: its messages must never wait for a queue that
            # nobody empties any more.
            connections.append(self._begin_sparkplug(intake))
        self._begin(intake)
        if health is not None:
            manager = ServiceManager()
            self._begin(Supervisor(manager, self._pulses, health.has_begun, health.reasons))
        log.info("watching; store %s, process %d", self.store.shown_url, os.getpid())

    def _begin_spans(self) -> None:
        """Send spans to a collector, where the settings name one."""
        url = self.settings.traces.url
        if url is None:
            return
        try:
            self.metrics.spans = SentSpans(url, self.settings.broker.client_id, __version__)
        except SpansError as error:
            raise StartError(str(error)) from error
        self._started.callback(self.metrics.spans.stop)

    def _health(self) -> Health | None:
        """How the service is; None with a clock that runs faster than life, by which everything is late."""
        if self.clock is not wall_clock:
            return None
        health = Health(
            lambda: self._state(),
            lambda: prove_writable(self.store, self.clock()),
            lambda: layout_is_ours(self.store),
            lambda: self._pulses,
            clock=self.clock,
            intake_late_s=self.settings.watchman.intake_late_s,
        )
        self._started.callback(health.stop)
        return health

    def _begin(self, part: Part) -> None:
        """Start a part; it is stopped in the reverse order, which is the order in which data flows."""
        part.start()
        self._started.callback(part.stop)

    def _usable_profiles(self) -> tuple[Profile, ...]:
        """The payload profiles. With an error in any of them nothing starts: its reports would be refused."""
        profiles, problems = profiles_of(self.settings)
        if errors := [str(problem) for problem in problems if problem.severity == "error"]:
            raise StartError("\n".join(errors))
        for problem in problems:
            log.warning("%s", problem)
        return profiles

    def _mended_profiles(self) -> tuple[Profile, ...]:
        """The payload profiles as they stand in their files now; with an error, those of the start."""
        try:
            return self._usable_profiles()
        except StartError as error:
            log.error("profiles as they were at the start are used: %s", error)
            return self._profiles

    def _begin_sparkplug(self, intake: Intake) -> BrokerConnection:
        """Be a host application for Sparkplug B; the connection that does it."""
        settings = self.settings
        host = SparkplugHost(
            settings.broker,
            settings.sparkplug,
            settings.intake,
            self._profiles,
            intake.offer,
            self.metrics,
            self.clock,
            self._places,
        )
        host.on_ready = intake.begin_anew
        intake.depend_on(host.connection)
        self._begin(host)
        return host.connection

    def _places(self) -> list[tuple[str, str, str]]:
        """The site list: site, transmitter, name of its profile or ""."""
        with self.store.reading() as connection:
            rows = load_site_list(connection).rows
        return [(row.site, row.transmitter, row.profile or "") for row in rows]

    def _begin_heartbeat(self, intake: Intake) -> BrokerConnection:
        """Say at the broker, again and again, that we are at work; the connection that does it."""
        settings, me = self.settings, self.settings.broker.client_id
        root = settings.broker.topic_root
        last_words = will(root, me, self.clock)
        connection = BrokerConnection(settings.broker, f"{me}-heartbeat", self.metrics, will=last_words)

        heartbeat = Heartbeat(
            connection,
            BrokerError,
            root,
            me,
            state=self._state,
            prove_store=lambda: prove_writable(self.store, self.clock()),
            metrics=self.metrics,
            clock=self.clock,
            every_s=settings.watchman.heartbeat_s,
            intake_late_s=settings.watchman.intake_late_s,
        )
        connection.on_ready = heartbeat.beat_now
        self._begin(connection)
        self._begin(heartbeat)
        return connection

    def _retry(self, reason: str, topic: str = "") -> tuple[int, int]:
        """Put refused reports in again, by a writer of its own: that of the intake belongs to its thread."""
        settings = self.settings
        writer = Writer(
            self.store,
            settings.intake,
            fleet_defaults(settings),
            settings.broker.topic_root,
            self.metrics,
            self.clock,
            self._mended_profiles(),
        )
        rows = settings.intake.batch_rows
        return put_in_again(self.store, writer, reason=reason, topic=topic, batch_rows=rows)

    def _alarms_changed(self) -> None:
        for worker in self._workers:
            worker.wake()

    def stop(self) -> None:
        """Stop what was started, in the order in which data flows."""
        self._started.close()
