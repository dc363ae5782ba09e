"""Spans: off by default, with the kind of an error and no text of it, and never in the way of the work."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType

import pytest
from databases import address_of
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.trace import StatusCode
from prometheus_client import CollectorRegistry

from standingwatch.daemon import Daemon, StartError
from standingwatch.metrics import Metrics
from standingwatch.settings import Settings, inspect_settings
from standingwatch.spans import NoSpans, SentSpans, SpansError, span


def test_off_unless_a_collector_is_named() -> None:
    assert Settings().traces.url is None
    assert isinstance(Metrics(CollectorRegistry()).spans, NoSpans)


def test_nothing_is_imported_that_sends_unless_it_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "opentelemetry.exporter.otlp.proto.http.trace_exporter"
    monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(SpansError, match=r"pip install 'standingwatch\[traces\]'"):
        SentSpans("http://127.0.0.1:1/v1/traces", "watch", "1")
    store = {"url": address_of(tmp_path / "store.sqlite")}
    settings = {"store": store, "traces": {"url": "http://127.0.0.1:1/v1/traces"}}
    daemon = Daemon(Settings.model_validate(settings))
    with pytest.raises(StartError, match="traces: url is set"):
        daemon.start()
    daemon.stop()


def test_check_tells_of_packages_that_are_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "watch.toml"
    path.write_text('[traces]\nurl = "http://127.0.0.1:4318/v1/traces"\n')
    assert inspect_settings(path, {}).problems == ()
    for name in [name for name in sys.modules if name.startswith("opentelemetry.exporter")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "opentelemetry.exporter", ModuleType("opentelemetry.exporter"))
    (problem,) = inspect_settings(path, {}).problems
    assert (problem.severity, problem.line) == ("error", 2)
    assert "pip install 'standingwatch[traces]'" in str(problem)


def test_an_error_is_told_by_its_kind_and_goes_on() -> None:
    spans = SentSpans("http://127.0.0.1:1/v1/traces", "watch", "1")
    kept = InMemorySpanExporter()
    spans._provider.add_span_processor(SimpleSpanProcessor(kept))
    with pytest.raises(ValueError, match="hunter2"), span(spans, "delivery", {"channel": "webhook.desk"}):
        raise ValueError("https://desk.example.org/?token=hunter2")
    with span(spans, "delivery", {"channel": "webhook.desk"}):
        pass
    failed, done = kept.get_finished_spans()
    # The collector is not there: that is no matter of ours.
    spans.stop()
    assert failed.attributes == {"standingwatch.channel": "webhook.desk", "error.type": "ValueError"}
    assert failed.status.status_code is StatusCode.ERROR
    assert "hunter2" not in failed.to_json()
    assert done.attributes == {"standingwatch.channel": "webhook.desk"}
    assert done.status.status_code is StatusCode.UNSET
    assert failed.context.trace_id != done.context.trace_id
