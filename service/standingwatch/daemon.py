"""Wires the rooms into one running service."""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Protocol

import uvicorn
from prometheus_client import CollectorRegistry, GCCollector, PlatformCollector, ProcessCollector

from standingwatch.detect.words import Severity
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.intake.service import Intake
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.jobs import Jobs
from standingwatch.metrics import Metrics
from standingwatch.notify.file import FileChannel
from standingwatch.notify.mqtt import MqttChannel
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.settings import Settings
from standingwatch.store.connect import Store
from standingwatch.watch.judging import detection_settings
from standingwatch.watch.live import Watch, WatchOptions
from standingwatch.web.app import create_app

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
    channels = []
    if settings.channels.mqtt.enabled:
        channels.append(("mqtt", Severity.from_word(settings.channels.mqtt.min_severity)))
    if settings.channels.file.enabled:
        channels.append(("file", Severity.from_word(settings.channels.file.min_severity)))
    return WatchOptions(
        detection=detection_settings(settings),
        defaults=fleet_defaults(settings),
        source=event_source(settings),
        channels=tuple(channels),
        rows_per_pass=settings.watch.rows_per_pass,
        pause_s=settings.watch.pause_s,
    )


class WebServer:
    """uvicorn on a thread of its own.

    Args:
        app: the ASGI application.
        host, port: where it listens; port 0 takes a free one.
    """

    def __init__(self, app: object, host: str, port: int) -> None:
        self._socket = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
        except OSError as error:
            self._socket.close()
            raise StartError(
                f"web: cannot listen on {host}:{port}: {error.strerror}; set web.port to a free one"
            ) from error
        self.address = f"http://{host}:{self._socket.getsockname()[1]}/"
        config = uvicorn.Config(
            app,  # type: ignore[arg-type]  # any ASGI application
            log_level="warning",
            access_log=False,
            server_header=False,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="web", daemon=True
        )

    def start(self) -> None:
        """Serve, on a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """Stop serving."""
        self._server.should_exit = True
        self._thread.join(10)
        self._socket.close()


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


@dataclass
class Daemon:
    """The running service.

    Attributes:
        settings: all of them.
        clock: now [Unix microseconds]; another one than the wall's for the demo and for tests.
        notice: a sentence that every page shows.
    """

    settings: Settings
    clock: Callable[[], int] = wall_clock
    notice: str = ""
    registry: CollectorRegistry = field(default_factory=CollectorRegistry)

    def __post_init__(self) -> None:
        for collector in (ProcessCollector, PlatformCollector, GCCollector):
            collector(registry=self.registry)
        self.metrics = Metrics(self.registry)
        self.store = Store(self.settings.store.url.get_secret_value())
        self.web: WebServer | None = None
        self._workers: list[OutboxWorker] = []
        self._started = ExitStack()

    def start(self) -> None:
        """Start everything; what is up already when this fails is stopped by `stop`."""
        settings = self.settings
        self._started.callback(self.store.close)
        self.store.migrate()
        if settings.web.enabled:
            app = create_app(
                self.store,
                clock=self.clock,
                registry=self.registry,
                fleet_defaults=fleet_defaults(settings),
                limits=settings.limits,
                notice=self.notice,
            )
            self.web = WebServer(app, settings.web.host, settings.web.port)
            self._begin(self.web)
        self._begin(Jobs(self.store, settings.store, self.metrics, self.clock))
        if settings.channels.mqtt.enabled:
            publisher = BrokerConnection(settings.broker, f"{settings.broker.client_id}-notify", self.metrics)
            channel = MqttChannel(publisher, BrokerError, settings.broker.topic_root, self.store)
            publisher.on_ready = channel.forget
            self._begin(publisher)
            self._begin_worker(OutboxWorker(channel, self.store, self.metrics, self.clock, channel.refresh))
        if settings.channels.file.enabled:
            file = FileChannel(settings.channels.file.path)
            self._begin_worker(OutboxWorker(file, self.store, self.metrics, self.clock))
        self._begin(
            Watch(self.store, watch_options(settings), self.metrics, self.clock, self._alarms_changed)
        )
        writer = Writer(
            self.store,
            settings.intake,
            fleet_defaults(settings),
            settings.broker.topic_root,
            self.metrics,
            self.clock,
        )
        self._begin(Intake(settings.broker, settings.intake, writer, self.metrics, self.clock))
        log.info("watching; store %s, process %d", self.store.shown_url, os.getpid())

    def _begin(self, part: Part) -> None:
        """Start a part; it is stopped in the reverse order, which is the order in which data flows."""
        part.start()
        self._started.callback(part.stop)

    def _begin_worker(self, worker: OutboxWorker) -> None:
        self._workers.append(worker)
        self._begin(worker)

    def _alarms_changed(self) -> None:
        for worker in self._workers:
            worker.wake()

    def stop(self) -> None:
        """Stop what was started, in the order in which data flows."""
        self._started.close()
