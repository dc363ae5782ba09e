"""Makes dashboard.json: the fleet and the service, for a dashboard server (Grafana 10 or later).

`python dashboard.py > dashboard.json`. Panels are written here as what they ask and in what unit; where they
stand follows from their order. The file is imported as it is: it asks for the Prometheus that it reads.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, field
from typing import Any

#: Of the service and site chosen at the top.
HERE = 'job="standingwatch", instance=~"$instance"'
SITE = HERE + ', site=~"$site"'

SOURCE = {"type": "prometheus", "uid": "${datasource}"}

#: Columns of the grid.
WIDE = 24

SEVERITY_COLOURS = {"warning": "blue", "minor": "yellow", "major": "orange", "critical": "red"}


@dataclass(frozen=True)
class Query:
    """What is asked of Prometheus.

    Attributes:
        ask: the expression, with the variables of the dashboard in it.
        name: what a series is called, `{{label}}` standing for a label's value.
    """

    ask: str
    name: str = ""


@dataclass(frozen=True)
class Panel:
    """A panel.

    Attributes:
        title: its heading; the quantity and what it is of.
        kind: stat, timeseries or table.
        queries: what it shows.
        unit: of the values, in the words of the dashboard server.
        width, height: in columns and rows of the grid.
        text: what a reader has to know.
        steps: colours from values on, lowest first; the first holds from the least value.
        least: lower end of the axis; None for that of the values.
        mappings: words for values.
        colours: colour of the series of a name.
        hidden: columns that a table does not show.
    """

    title: str
    kind: str
    queries: tuple[Query, ...]
    unit: str = "none"
    width: int = 8
    height: int = 8
    text: str = ""
    steps: tuple[tuple[float | None, str], ...] = ((None, "green"),)
    least: float | None = None
    mappings: dict[str, str] = field(default_factory=dict)
    colours: dict[str, str] = field(default_factory=dict)
    hidden: tuple[str, ...] = ("Time", "__name__", "job", "instance")

    def made(self, number: int, x: int, y: int) -> dict[str, Any]:
        """The panel as the dashboard server reads it."""
        is_table = self.kind == "table"
        defaults: dict[str, Any] = {
            "unit": self.unit,
            "thresholds": {
                "mode": "absolute",
                "steps": [{"value": value, "color": colour} for value, colour in self.steps],
            },
            "color": {"mode": "palette-classic" if self.kind == "timeseries" else "thresholds"},
        }
        if self.least is not None:
            defaults["min"] = self.least
        if self.mappings:
            options = {
                value: {"text": word, "index": i} for i, (value, word) in enumerate(self.mappings.items())
            }
            defaults["mappings"] = [{"type": "value", "options": options}]
        made: dict[str, Any] = {
            "id": number,
            "type": self.kind,
            "title": self.title,
            "datasource": SOURCE,
            "gridPos": {"x": x, "y": y, "w": self.width, "h": self.height},
            "fieldConfig": {
                "defaults": defaults,
                "overrides": [
                    {
                        "matcher": {"id": "byName", "options": name},
                        "properties": [{"id": "color", "value": {"mode": "fixed", "fixedColor": colour}}],
                    }
                    for name, colour in self.colours.items()
                ],
            },
            "targets": [
                {
                    "refId": chr(ord("A") + i),
                    "datasource": SOURCE,
                    "expr": query.ask,
                    "legendFormat": query.name,
                    "instant": self.kind != "timeseries",
                    "range": self.kind == "timeseries",
                    "format": "table" if is_table else "time_series",
                }
                for i, query in enumerate(self.queries)
            ],
        }
        if self.text:
            made["description"] = self.text
        if is_table:
            hide = dict.fromkeys(self.hidden, True)
            made["transformations"] = [{"id": "organize", "options": {"excludeByName": hide}}]
            made["options"] = {"sortBy": [{"displayName": "Value", "desc": True}]}
        return made


AGE = ((None, "green"), (300.0, "yellow"), (600.0, "red"))

FLEET = (
    Panel(
        "Standing alarms",
        "stat",
        (Query(f"sum by (severity) (standingwatch_alarms_standing{{{HERE}}})", "{{severity}}"),),
        width=8,
        height=4,
        colours=SEVERITY_COLOURS,
    ),
    Panel(
        "Transmitters heard so far",
        "stat",
        (Query(f"count(standingwatch_last_report_timestamp_seconds{{{HERE}}})"),),
        width=4,
        height=4,
    ),
    Panel(
        "Silent for an hour",
        "stat",
        (Query(f"sum(time() - standingwatch_last_report_timestamp_seconds{{{HERE}}} > bool 3600)"),),
        width=4,
        height=4,
        steps=((None, "green"), (1.0, "yellow")),
    ),
    Panel(
        "Stored up to",
        "stat",
        (Query(f"time() - standingwatch_intake_horizon_timestamp_seconds{{{HERE}}}"),),
        unit="s",
        width=4,
        height=4,
        text="How long ago: everything that was sent before that is stored.",
        steps=AGE,
    ),
    Panel(
        "Last heartbeat",
        "stat",
        (Query(f"time() - standingwatch_heartbeat_timestamp_seconds{{{HERE}}}"),),
        unit="s",
        width=4,
        height=4,
        text="How long ago. A beat needs a store that can be written and a broker that takes it.",
        steps=((None, "green"), (90.0, "yellow"), (150.0, "red")),
    ),
    Panel(
        "What stands",
        "table",
        (Query(f"standingwatch_alarm_severity{{{HERE}}}"),),
        width=12,
        height=9,
        mappings={"3": "warning", "4": "minor", "5": "major", "6": "critical"},
        steps=((None, "blue"), (4.0, "yellow"), (5.0, "orange"), (6.0, "red")),
    ),
    Panel(
        "Highest SWR now",
        "table",
        (Query(f"topk(20, standingwatch_swr_ratio{{{HERE}}})"),),
        width=6,
        height=9,
        text="At the transmitter, of the newest usable reading: behind a lossy feeder the antenna is worse.",
        steps=((None, "green"), (1.5, "blue"), (2.0, "orange"), (3.0, "red")),
    ),
    Panel(
        "Furthest above their own normal",
        "table",
        (
            Query(
                f"topk(20, standingwatch_reflection_coefficient_ratio{{{HERE}}}"
                f" - standingwatch_baseline_reflection_coefficient_ratio{{{HERE}}})"
            ),
        ),
        width=6,
        height=9,
        text="Reflection coefficient less that of the baseline, 0 to 1; of single readings, rain included.",
    ),
)


def course(
    title: str, unit: str, *asks: tuple[str, str], width: int = 8, least: float | None = 0.0, text: str = ""
) -> Panel:
    """A panel of values over time: (expression, name of a series) each."""
    queries = tuple(Query(ask, name) for ask, name in asks)
    return Panel(title, "timeseries", queries, unit, width, text=text, least=least)


def rate(name: str) -> str:
    """How fast a counter of the chosen service grows [1/s]."""
    return f"rate({name}{{{HERE}}}[$__rate_interval])"


def quantile(part: float, name: str) -> str:
    """A quantile of a histogram of the chosen service."""
    return f"histogram_quantile({part}, sum by (le) ({rate(name + '_bucket')}))"


def of_site(name: str) -> str:
    """A gauge of the chosen sites."""
    return f"standingwatch_{name}{{{SITE}}}"


def of_service(name: str) -> str:
    """A gauge of the chosen service."""
    return f"standingwatch_{name}{{{HERE}}}"


ONE = "{{site}}/{{transmitter}}"

SITES = (
    course("SWR", "none", (of_site("swr_ratio"), ONE), width=12, least=1.0),
    course(
        "Reflection coefficient and baseline",
        "none",
        (of_site("reflection_coefficient_ratio"), ONE),
        (of_site("baseline_reflection_coefficient_ratio"), f"{ONE} baseline"),
        width=12,
    ),
    course("Forward power", "watt", (of_site("forward_power_watts"), ONE)),
    course("Reflected power", "watt", (of_site("reflected_power_watts"), ONE)),
    course("Since the last report", "s", (f"time() - {of_site('last_report_timestamp_seconds')}", ONE)),
    course(
        "Since the last usable reading",
        "s",
        (f"time() - {of_site('last_usable_reading_timestamp_seconds')}", ONE),
        text="A transmitter that is not keyed reports, and says nothing about its match.",
    ),
    course("Keyed", "none", (of_site("keyed"), ONE)),
    course("Clocks: how far behind", "s", (of_site("site_clock_behind_seconds"), "{{site}}"), least=None),
)

SERVICE = (
    course(
        "Messages and readings",
        "cps",
        (rate("standingwatch_messages_received_total"), "messages"),
        (rate("standingwatch_readings_stored_total"), "stored"),
        (rate("standingwatch_readings_repeated_total"), "repeated"),
        (rate("standingwatch_readings_judged_total"), "judged"),
    ),
    course("Refused, by reason", "cps", (rate("standingwatch_reports_refused_total"), "{{reason}}")),
    course(
        "Waiting and behind",
        "none",
        (of_service("intake_queue_messages"), "messages in the queue"),
        (of_service("watch_lag_seconds"), "watch behind [s]"),
    ),
    course(
        "Time of a batch and of a pass",
        "s",
        (quantile(0.5, "standingwatch_intake_batch_seconds"), "batch, median"),
        (quantile(0.95, "standingwatch_intake_batch_seconds"), "batch, 95 %"),
        (quantile(0.95, "standingwatch_watch_pass_seconds"), "pass, 95 %"),
    ),
    course("Connections to the broker", "none", (of_service("broker_connected"), "{{connection}}")),
    course(
        "Alarm changes",
        "none",
        (f"sum by (kind) (increase({of_service('alarm_changes_total')}[$__rate_interval]))", "{{kind}}"),
    ),
    course("Deliveries", "cps", (rate("standingwatch_deliveries_total"), "{{channel}} {{result}}")),
    course(
        "Waiting for delivery",
        "none",
        (of_service("outbox_waiting"), "{{channel}}"),
        (of_service("outbox_dead"), "{{channel}} given up on"),
    ),
    course("Oldest message that waits", "s", (of_service("outbox_oldest_waiting_seconds"), "{{channel}}")),
    course("Alarms that nobody is told of for now", "none", (of_service("alarms_held_back"), "{{reason}}")),
    course("What people did with alarms", "none", (of_service("alarms_by_operator_state"), "{{state}}")),
    course(
        "Jobs: since the last success",
        "s",
        (f"time() - {of_service('job_last_success_timestamp_seconds')}", "{{exported_job}}"),
    ),
    course(
        "Store",
        "bytes",
        (of_service("store_bytes"), "size"),
        (of_service("store_free_bytes"), "free on its disk"),
    ),
    course("Memory", "bytes", (f"process_resident_memory_bytes{{{HERE}}}", "resident")),
    course("Processor time", "percentunit", (rate("process_cpu_seconds_total"), "of one core")),
)

ROWS = (("Fleet", FLEET), ("Sites: $site", SITES), ("The service itself", SERVICE))


def variable(name: str, label: str, ask: str) -> dict[str, Any]:
    """A choice at the top of the dashboard, made of the values of a label."""
    return {
        "name": name,
        "label": label,
        "type": "query",
        "datasource": SOURCE,
        "query": {"query": ask, "refId": name},
        "refresh": 2,
        "includeAll": True,
        "multi": True,
        "allValue": ".*",
        "current": {"text": ["All"], "value": ["$__all"]},
        "sort": 1,
    }


def dashboard() -> dict[str, Any]:
    """The dashboard."""
    panels: list[dict[str, Any]] = []
    y = 0
    for title, row in ROWS:
        panels.append(
            {
                "id": len(panels) + 1,
                "type": "row",
                "title": title,
                "collapsed": False,
                "gridPos": {"x": 0, "y": y, "w": WIDE, "h": 1},
                "panels": [],
            }
        )
        y, x, height = y + 1, 0, 0
        for panel in row:
            if x + panel.width > WIDE:
                y, x, height = y + height, 0, 0
            panels.append(panel.made(len(panels) + 1, x, y))
            x, height = x + panel.width, max(height, panel.height)
        y += height
    return {
        "uid": "standingwatch",
        "title": "Standing Watch",
        "tags": ["standingwatch"],
        "schemaVersion": 39,
        "editable": True,
        "graphTooltip": 1,
        "refresh": "1m",
        "time": {"from": "now-24h", "to": "now"},
        "templating": {
            "list": [
                {"name": "datasource", "label": "Prometheus", "type": "datasource", "query": "prometheus"},
                variable("instance", "Service", 'label_values(up{job="standingwatch"}, instance)'),
                variable(
                    "site",
                    "Site",
                    f"label_values(standingwatch_last_report_timestamp_seconds{{{HERE}}}, site)",
                ),
            ]
        },
        "panels": panels,
    }


if __name__ == "__main__":
    json.dump(dashboard(), sys.stdout, indent=2)
    sys.stdout.write("\n")
