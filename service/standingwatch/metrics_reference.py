"""The reference of all metrics, as Markdown, made from what the service registers.

What stands there of labels is made from the types that their values come from, where there is such a type.
"""

from __future__ import annotations

from collections.abc import Iterable

from prometheus_client import CollectorRegistry

from standingwatch.alarms.handling import OperatorState
from standingwatch.alarms.lifecycle import ChangeKind
from standingwatch.alarms.notice import NoticeKind
from standingwatch.alarms.telling import HELD_BACK
from standingwatch.detect.words import SERVICE_CONDITIONS, Condition, Severity
from standingwatch.metrics import Described, Metrics
from standingwatch.readings.flags import Flag

_SEVERITIES = tuple(s.word for s in Severity if s is not Severity.CLEARED)


def _one_of(values: Iterable[str]) -> str:
    return ", ".join(f"`{value}`" for value in values)


#: What a label says, whatever the metric.
LABELS = {
    "site": "a site of the site list",
    "transmitter": "a transmitter of the site list, by its name at the site",
    "condition": _one_of(c.value for c in Condition if c not in SERVICE_CONDITIONS)
    + "; of the service itself "
    + _one_of(c.value for c in Condition if c in SERVICE_CONDITIONS),
    "region": "a region of the site list; empty unless the alarm is of a whole region",
    "service": "a part of this service; empty unless the alarm is about one",
    "connection": "a connection to the broker, by its client id",
    "channel": "a channel of notifications, as in the settings: `mqtt`, `file`, `email.NAME`",
    "job": "a job: `retention`, `purge`, `store-size`, `visits`, `review`, `review REGION`; stored by "
    "Prometheus as `exported_job`, since `job` is there the name of the scrape",
    "work": "a part of the work that processes share: `jobs`, `notify/CHANNEL`, `watch/N`, `intake/N`",
    "flag": _one_of(flag.word for flag in Flag),
    "part": _one_of(("connections", "disk", "judgement", "store")) + ", the part that could not be measured",
}

#: What a label says where that differs by metric: by name of metric without the prefix, and label.
LABELS_OF = {
    ("alarms_standing", "severity"): _one_of(_SEVERITIES),
    ("alarm_changes_total", "severity"): _one_of((Severity.CLEARED.word, *_SEVERITIES)),
    ("alarm_changes_total", "kind"): _one_of(k.value for k in ChangeKind),
    ("notifications_total", "kind"): _one_of(k.value for k in NoticeKind),
    ("sparkplug_reports_total", "kind"): _one_of(("new", "repeated")),
    ("sparkplug_nodes", "state"): _one_of(("online", "offline")),
    ("reports_refused_total", "reason"): "why a report was refused, as `standingwatch refused list` says it",
    ("alarms_held_back", "reason"): _one_of(HELD_BACK),
    ("alarms_by_operator_state", "state"): _one_of(s.value for s in OperatorState),
    ("deliveries_total", "result"): _one_of(("delivered", "failed", "dead")),
    ("heartbeats_total", "result"): _one_of(("delivered", "failed")),
}

HEAD = """\
# Metrics

Made by `standingwatch describe metrics`. The service gives them at `/metrics`, as OpenMetrics 1.0 to those
who ask for it in their `Accept` header and in Prometheus' text format to others. A histogram has `_bucket`,
`_sum` and `_count`. A series with labels is there from the first time that it has something to say; a site or
transmitter without a value has none. Beside these there are `process_*` and `python_*` of the process itself.

| metric | kind | labels | says |
| --- | --- | --- | --- |
"""


def all_metrics() -> list[Described]:
    """All metrics of the service, by name."""
    return sorted(Metrics(CollectorRegistry()).described, key=lambda one: one.name)


def label_words(metric: str, label: str) -> str:
    """What a label says.

    Args:
        metric: name of a metric, with the prefix.
        label: name of one of its labels.

    Raises:
        KeyError: for a label that nothing is known of.
    """
    own = (metric.removeprefix("standingwatch_"), label)
    return LABELS_OF[own] if own in LABELS_OF else LABELS[label]


def metrics_reference() -> str:
    """The reference as Markdown: a row per metric, then a row per label."""
    metrics = all_metrics()
    rows = [
        f"| `{one.name}` | {one.kind} | {_one_of(one.labels)} | {one.text} |\n".replace("|  |", "| |")
        for one in metrics
    ]
    labels: dict[tuple[str, str], list[str]] = {}
    for one in metrics:
        for label in one.labels:
            where = labels.setdefault((label, label_words(one.name, label)), [])
            where.append(one.name.removeprefix("standingwatch_"))
    lines = ["\n| label | of | its values |\n| --- | --- | --- |\n"]
    for (label, words), where in sorted(labels.items()):
        several = sum(name == label for name, _ in labels) > 1
        lines.append(f"| `{label}` | {_one_of(where) if several else 'all that have it'} | {words} |\n")
    return HEAD + "".join(rows) + "".join(lines)
