"""Spans for OpenTelemetry: how long pieces of work took, and what they were. Off unless a collector is named.

The packages that send them are the extra `standingwatch[traces]`, and are imported when spans are started and
not before. Nothing global is touched: other libraries of the process send nothing by us. Each span is a trace
of its own: a report, the pass that judges it and a delivery are held apart by the store, and one pass judges
the reports of many.

Sending is done on a thread of the packages' own, with a queue that is bounded: while the collector is away
spans are lost, and the work does not wait.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.util import find_spec
from types import MappingProxyType
from typing import Any, Protocol

#: How long to wait for the collector [s]; what is not sent by then, at the end too, is lost.
TIMEOUT_S = 2.0

#: What a piece of work was about, by names.
About = Mapping[str, str | int]
NOTHING: About = MappingProxyType({})


class SpansError(Exception):
    """Spans cannot be started; the text says why and what to do."""


class Spans(Protocol):
    """Where spans go."""

    def note(self, name: str, began_ns: int, about: About = NOTHING, *, error: str = "") -> None:
        """Note a piece of work that has just ended.

        Args:
            name: what it was: few and fixed.
            began_ns: when it began, by the wall's clock [Unix nanoseconds], as `time.time_ns` gives it.
            about: more about it; the prefix `standingwatch.` is put before each name.
            error: the kind of error that it ended with; "" for none. No text of an error, which may hold
                addresses and what stands in them.
        """
        ...

    def stop(self) -> None:
        """Send what waits, and end."""
        ...


class NoSpans:
    """Spans that go nowhere."""

    def note(self, name: str, began_ns: int, about: About = NOTHING, *, error: str = "") -> None:
        """Nothing."""

    def stop(self) -> None:
        """Nothing."""


def can_send() -> bool:
    """Whether the packages are installed that send spans."""
    try:
        return find_spec("opentelemetry.exporter.otlp.proto.http.trace_exporter") is not None
    except ModuleNotFoundError:  # a package above it is not there
        return False


@contextmanager
def span(spans: Spans, name: str, about: About) -> Iterator[None]:
    """Note what the block does, with the kind of its error if it has one, which goes on.

    Args:
        spans: where to.
        name, about: as for `Spans.note`.
    """
    began_ns = time.time_ns()
    try:
        yield
    except Exception as problem:  # whatever it is: it is noted, and raised again
        spans.note(name, began_ns, about, error=type(problem).__name__)
        raise
    spans.note(name, began_ns, about)


class SentSpans:
    """Spans that are sent to a collector by OTLP over HTTP.

    Args:
        url: address of its traces, as http://127.0.0.1:4318/v1/traces.
        instance: tells services apart (`service.instance.id`).
        version: of this service.

    Raises:
        SpansError: if the packages are not installed.
    """

    def __init__(self, url: str, instance: str, version: str) -> None:
        try:
            from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
            from opentelemetry.sdk.resources import Resource
            from opentelemetry.sdk.trace import TracerProvider
            from opentelemetry.sdk.trace.export import BatchSpanProcessor
            from opentelemetry.trace import StatusCode
        except ImportError as error:
            raise SpansError(
                f"traces: url is set, and the package {error.name} is not installed; "
                "pip install 'standingwatch[traces]', or take url out"
            ) from error
        # By its warnings it would fill our log while the collector is away; that it is away is said once.
        logging.getLogger("opentelemetry").setLevel(logging.CRITICAL)
        about = {"service.name": "standingwatch", "service.instance.id": instance, "service.version": version}
        self._provider = TracerProvider(resource=Resource(about), shutdown_on_exit=False)
        exporter = OTLPSpanExporter(endpoint=url, timeout=TIMEOUT_S)
        self._provider.add_span_processor(BatchSpanProcessor(exporter))
        self._tracer = self._provider.get_tracer("standingwatch", version)
        self._error = StatusCode.ERROR

    def note(self, name: str, began_ns: int, about: About = NOTHING, *, error: str = "") -> None:
        """Note a piece of work that has just ended, as `Spans.note`."""
        attributes: dict[str, Any] = {f"standingwatch.{key}": value for key, value in about.items()}
        if error:
            attributes["error.type"] = error
        made = self._tracer.start_span(name, start_time=began_ns, attributes=attributes)
        if error:
            made.set_status(self._error, error)
        made.end()

    def stop(self) -> None:
        """Send what waits, and end."""
        self._provider.shutdown()
