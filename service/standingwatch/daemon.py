"""Wires the rooms into one running service."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable, Collection
from contextlib import ExitStack
from dataclasses import dataclass, field

from prometheus_client import CollectorRegistry, GCCollector, PlatformCollector, ProcessCollector

from standingwatch import __version__
from standingwatch.courtesy import Courtesy
from standingwatch.crew import Crew, fleet_defaults, session_names
from standingwatch.duties import KINDS, Duties, Part
from standingwatch.intake.again import put_in_again
from standingwatch.intake.writer import Writer
from standingwatch.metrics import Metrics
from standingwatch.notify.heartbeat import ServiceState
from standingwatch.notify.make import ChannelError
from standingwatch.notify.readiness import Health
from standingwatch.notify.supervisor import ServiceManager, Supervisor
from standingwatch.readings.profile import Profile
from standingwatch.settings import Settings
from standingwatch.settings.hosts import is_loopback
from standingwatch.settings.profiles import profiles_of
from standingwatch.spans import SentSpans, SpansError
from standingwatch.store.claims import Claimant
from standingwatch.store.connect import Store
from standingwatch.store.layout_now import layout_is_ours
from standingwatch.store.parts import set_parts
from standingwatch.store.sessions import begin_horizons
from standingwatch.store.watchman import prove_writable
from standingwatch.watch.judging import in_us
from standingwatch.web.app import create_app
from standingwatch.web.awaited import Awaited
from standingwatch.web.serving import ServeError, WebServer

log = logging.getLogger("standingwatch")


#: Serving pages and API, which any number of processes may do.
WEB = "web"

#: Everything that a process may do.
ALL_KINDS = (*KINDS, WEB)


def wall_clock() -> int:
    """Now [Unix microseconds]."""
    return time.time_ns() // 1000


class StartError(Exception):
    """The service cannot start; the text says why and what to do."""


@dataclass
class Daemon:
    """The running service.

    Attributes:
        settings: all of them.
        clock: now [Unix microseconds]; another one than the wall's for the demo and for tests.
        notice: a sentence that every page shows.
        automatic_user: the operator that everybody is who has not signed in; on the loopback only.
        kinds: what this process offers to do; with others on one store each does its share.
        called: what this process is called, where there are several; "" for the only one.
    """

    settings: Settings
    clock: Callable[[], int] = wall_clock
    notice: str = ""
    automatic_user: str = ""
    kinds: Collection[str] = ALL_KINDS
    called: str = ""
    registry: CollectorRegistry = field(default_factory=CollectorRegistry)

    def __post_init__(self) -> None:
        for collector in (ProcessCollector, PlatformCollector, GCCollector):
            collector(registry=self.registry)
        self.metrics = Metrics(self.registry)
        self.store = Store(self.settings.store.url.get_secret_value())
        self.web: WebServer | None = None
        self._profiles: tuple[Profile, ...] = ()
        self._crew: Crew | None = None
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
        self._refuse_several()
        self._begin_spans()
        self._profiles = self._usable_profiles()
        self.store.migrate()
        health = self._health()
        courtesy = Courtesy()
        if settings.web.enabled and WEB in self.kinds:
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
                self.web = WebServer(Awaited(app, courtesy), settings.web, app.state.streams.close)
            except ServeError as error:
                raise StartError(str(error)) from error
            self._begin(self.web)
        is_wall_clock = self.clock is wall_clock
        crew = Crew(settings, self.store, self.metrics, self.clock, self._profiles, is_wall_clock, courtesy)
        self._divide()
        me = Claimant(self.called)
        duties = Duties(self.store, me, self.kinds, crew.wanted, self._made(crew), self.metrics)
        self._started.callback(duties.stop)
        duties.start()
        # Not before: with nothing begun yet it would say that others do all of it, and the service is ready.
        self._crew = crew
        if health is not None:
            manager = ServiceManager()
            self._begin(Supervisor(manager, crew.pulses(), health.has_begun, health.reasons))
        log.info("watching; store %s, process %d", self.store.shown_url, os.getpid())

    def _refuse_several(self) -> None:
        """Several processes, and work divided for them, need a store that they can share."""
        settings = self.settings
        if not self.store.is_sqlite:
            return
        # Pages and API alone keep nothing in memory that another process has to know of.
        serves_only = set(self.kinds) == {WEB}
        asked = {
            "--parts": set(self.kinds) != set(ALL_KINDS) and not serves_only,
            "--name": bool(self.called) and not serves_only,
            "watch.parts": settings.watch.parts > 1,
            "intake.sessions": settings.intake.sessions > 1,
        }
        for what, is_asked in asked.items():
            if is_asked:
                raise StartError(
                    f"{what}: several processes cannot share a store on SQLite, but for one that does pages "
                    f"alone (--parts web); set store.url to PostgreSQL, or leave {what} as it is by default"
                )

    def _divide(self) -> None:
        """Note into how many parts the work is divided, for all processes."""
        if self.store.is_sqlite:
            return
        with self.store.writing() as connection:
            if "watch" in self.kinds:
                set_parts(connection, self.settings.watch.parts)
            if self.settings.intake.sessions > 1:
                begin_horizons(connection, session_names(self.settings, self.settings.intake.sessions))

    @staticmethod
    def _made(crew: Crew) -> Callable[[str, Store], Part]:
        def make(name: str, store: Store) -> Part:
            try:
                return crew.begin(name, store)
            except ChannelError as error:
                raise StartError(str(error)) from error

        return make

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
            lambda: self._crew.state() if self._crew is not None else ServiceState(),
            lambda: prove_writable(self.store, self.clock()),
            lambda: layout_is_ours(self.store),
            lambda: self._crew.pulses() if self._crew is not None else {},
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
            settings.intake.sessions > 1,
        )
        rows = settings.intake.batch_rows
        return put_in_again(self.store, writer, reason=reason, topic=topic, batch_rows=rows)

    def stop(self) -> None:
        """Stop what was started, in the order in which data flows."""
        self._started.close()
