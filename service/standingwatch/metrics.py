"""Prometheus metrics on a registry that is handed in; nothing registers itself on import.

Base units throughout; powers in watts, times in seconds, the match as ratios and never in decibels. Labels
hold only sites, transmitters and regions of the site list, conditions, channels and fixed words, so that
nobody outside can grow their number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from standingwatch.readings.clocks import State, drift_s_per_day, is_known
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.rf import rho_from_power, swr_from_rho
from standingwatch.spans import NoSpans, Spans

_PREFIX = "standingwatch"

#: Gauges of each transmitter, with the labels site and transmitter: name without prefix, words.
TRANSMITTER_GAUGES = {
    "forward_power_watts": "Forward power of the newest usable reading.",
    "reflected_power_watts": "Reflected power of the newest usable reading.",
    "reflection_coefficient_ratio": "Reflection coefficient at the transmitter, 0 to 1.",
    "swr_ratio": "Standing wave ratio at the transmitter, 1 or more.",
    "baseline_reflection_coefficient_ratio": "Reflection coefficient of the transmitter's own baseline.",
    "last_report_timestamp_seconds": "Time of the newest report.",
    "last_usable_reading_timestamp_seconds": (
        "Time of the newest reading that says something about the match."
    ),
    "keyed": "Whether the newest report was of a keyed transmitter.",
}
TRANSMITTER_LABELS = ("site", "transmitter")

#: The gauge of standing alarms.
ALARM_GAUGE = "alarm_severity"
ALARM_WORDS = "Severity of each standing alarm: 3 warning, 4 minor, 5 major, 6 critical (RFC 8632)."
ALARM_LABELS = ("site", "transmitter", "condition", "region", "service")

#: Gauges about the clock of each site, with the label site: name without prefix, words.
CLOCK_GAUGES = {
    "site_clock_behind_seconds": (
        "How far a site's clock is behind ours, the way of a report included; below 0: ahead."
    ),
    "site_clock_drift_ratio": "How fast a site's clock falls behind, seconds a second.",
    "site_clock_off": "1 while a site's clock is off by more than is tolerated.",
    "site_clock_jumps": "How often a site's clock was seen to jump.",
}
CLOCK_LABELS = ("site",)

#: What a standing alarm is about: site, transmitter, condition, region, part of the service.
AlarmNames = tuple[str, str, str, str, str]


@dataclass
class FleetState:
    """The newest reading of each transmitter, as arrays; NaN before the first.

    Attributes:
        time_us: time of the newest report [Unix microseconds], 0 before the first.
        usable_us: time of the newest report that says something about the match, 0 before the first.
        forward_w, reflected_w: powers of that report [W].
        keyed: whether the newest report was of a keyed transmitter.
        baseline_rho: level of the baseline, NaN without one.
    """

    fleet: Fleet
    time_us: IntArray
    usable_us: IntArray
    forward_w: FloatArray
    reflected_w: FloatArray
    keyed: BoolArray
    baseline_rho: FloatArray

    @classmethod
    def unseen(cls, fleet: Fleet) -> FleetState:
        """No transmitter heard yet."""
        n = len(fleet)
        return cls(
            fleet,
            np.zeros(n, dtype=np.int64),
            np.zeros(n, dtype=np.int64),
            np.full(n, np.nan),
            np.full(n, np.nan),
            np.zeros(n, dtype=np.bool_),
            np.full(n, np.nan),
        )


class FleetCollector(Collector):
    """Per-transmitter gauges, written out from arrays when asked and not kept one by one."""

    def __init__(self) -> None:
        self._parts: dict[int, tuple[FleetState, dict[AlarmNames, int]]] = {}
        self._counts: dict[tuple[str, str], dict[int, float]] = {}

    def total(self, name: tuple[str, str], part: int, value: float) -> float:
        """Take a count of a part of the watch, and give that of all parts that this process has."""
        of_parts = self._counts.setdefault(name, {})
        of_parts[part] = value
        return sum(list(of_parts.values()))

    def forget(self, part: int) -> dict[tuple[str, str], float]:
        """Forget a part of the watch; what the counts come to without it."""
        self._parts = {number: shown for number, shown in self._parts.items() if number != part}
        for of_parts in self._counts.values():
            of_parts.pop(part, None)
        return {name: sum(of_parts.values()) for name, of_parts in self._counts.items()}

    def show(self, state: FleetState, alarms: dict[AlarmNames, int], part: int = 0) -> None:
        """Take a new state; `alarms` gives the severity number of each standing alarm.

        Args:
            state: newest readings; not changed afterwards by the caller.
            alarms: severity by site, transmitter ("" for the whole site), condition, region and part of this
                service ("" unless it is about one of those, which have neither site nor transmitter).
            part: the part of the watch whose they are.
        """
        self._parts = {**self._parts, part: (state, alarms)}

    def describe(self) -> Iterator[GaugeMetricFamily]:
        """No fixed description: the registry need not collect at registration."""
        return iter(())

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """The gauges."""
        shown = [self._parts[part] for part in sorted(self._parts)]
        if not shown:
            return
        columns = [_columns_of(state) for state, _ in shown]
        for name, text in TRANSMITTER_GAUGES.items():
            family = GaugeMetricFamily(f"{_PREFIX}_{name}", text, labels=TRANSMITTER_LABELS)
            for (state, _), values in zip(shown, columns, strict=True):
                labels_of = zip(state.fleet.site, state.fleet.transmitter, strict=True)
                for labels, value in zip(labels_of, values[name].tolist(), strict=True):
                    if value == value:  # a transmitter without a value has no sample
                        family.add_metric(labels, value)
            yield family
        standing = GaugeMetricFamily(f"{_PREFIX}_{ALARM_GAUGE}", ALARM_WORDS, labels=ALARM_LABELS)
        for _, alarms in shown:
            for labels_of_alarm, severity in alarms.items():
                standing.add_metric(list(labels_of_alarm), severity)
        yield standing


def _columns_of(state: FleetState) -> dict[str, FloatArray]:
    """The values of `TRANSMITTER_GAUGES`, NaN for none."""
    rho = rho_from_power(state.forward_w, state.reflected_w)
    return {
        "forward_power_watts": state.forward_w,
        "reflected_power_watts": state.reflected_w,
        "reflection_coefficient_ratio": rho,
        "swr_ratio": swr_from_rho(rho),
        "baseline_reflection_coefficient_ratio": state.baseline_rho,
        "last_report_timestamp_seconds": np.where(state.time_us > 0, state.time_us / 1e6, np.nan),
        "last_usable_reading_timestamp_seconds": np.where(state.usable_us > 0, state.usable_us / 1e6, np.nan),
        "keyed": np.where(state.time_us > 0, state.keyed.astype(np.float64), np.nan),
    }


class ClockCollector(Collector):
    """Gauges about the clock of each site, worked out from its record when asked."""

    def __init__(self) -> None:
        self._shown: tuple[tuple[str, ...], State] | None = None

    def show(self, sites: tuple[str, ...], clocks: State) -> None:
        """Take a new state: records of `readings.clocks.CLOCK_STATE`, which may be brought up to date."""
        self._shown = (sites, clocks)

    def describe(self) -> Iterator[GaugeMetricFamily]:
        """No fixed description: the registry need not collect at registration."""
        return iter(())

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """The gauges, of sites whose clock is known."""
        if self._shown is None:
            return
        sites, clocks = self._shown
        columns = {
            "site_clock_behind_seconds": clocks["behind_us"] / 1e6,
            "site_clock_drift_ratio": drift_s_per_day(clocks) / 86_400.0,
            "site_clock_off": np.where(clocks["off_us"] != 0, 1.0, 0.0),
            "site_clock_jumps": clocks["jumps"] * 1.0,
        }
        for name, text in CLOCK_GAUGES.items():
            values, family = columns[name], GaugeMetricFamily(f"{_PREFIX}_{name}", text, labels=CLOCK_LABELS)
            for position in np.flatnonzero(is_known(clocks) & np.isfinite(values)).tolist():
                family.add_metric([sites[position]], float(values[position]))
            yield family


@dataclass(frozen=True)
class Described:
    """A metric as its readers see it.

    Attributes:
        name: as it stands in the exposition, `_total` of a counter included; a histogram has this name with
            `_bucket`, `_sum` and `_count`.
        kind: counter, gauge or histogram.
        text: one sentence.
        labels: their names.
    """

    name: str
    kind: str
    text: str
    labels: tuple[str, ...]


class Metrics:
    """All metrics of the service.

    Args:
        registry: where they are registered.

    Attributes:
        described: each metric, in the order in which they are exposed.
        spans: where pieces of work are noted, for traces; nowhere unless somebody sets it.
    """

    def __init__(self, registry: CollectorRegistry) -> None:
        self.registry = registry
        self.described: list[Described] = []
        self.spans: Spans = NoSpans()

        def describe(kind: str, name: str, text: str, labels: tuple[str, ...]) -> None:
            self.described.append(Described(f"{_PREFIX}_{name}", kind, text, labels))

        def counter(name: str, text: str, *labels: str) -> Counter:
            describe("counter", f"{name}_total", text, labels)
            return Counter(f"{_PREFIX}_{name}", text, labels, registry=registry)

        def gauge(name: str, text: str, *labels: str) -> Gauge:
            describe("gauge", name, text, labels)
            return Gauge(f"{_PREFIX}_{name}", text, labels, registry=registry)

        def histogram(name: str, text: str, *labels: str) -> Histogram:
            describe("histogram", name, text, labels)
            return Histogram(f"{_PREFIX}_{name}", text, labels, registry=registry)

        self.messages_received = counter("messages_received", "MQTT messages taken in.")
        self.messages_passed_over = counter(
            "messages_passed_over",
            "Messages that the broker had kept and that do not say when they were measured.",
        )
        self.sparkplug_messages = counter("sparkplug_messages", "Messages of Sparkplug edge nodes.")
        self.sparkplug_reports = counter(
            "sparkplug_reports",
            "Reports made of Sparkplug metrics, by whether anything new had come.",
            "kind",
        )
        self.sparkplug_rebirths = counter("sparkplug_rebirth_requests", "Edge nodes asked for their births.")
        self.sparkplug_nodes = gauge("sparkplug_nodes", "Sparkplug edge nodes.", "state")
        self.sparkplug_devices = gauge("sparkplug_devices", "Sparkplug devices that are alive.")
        self.sparkplug_nodes_out_of_turn = gauge(
            "sparkplug_nodes_out_of_turn", "Sparkplug edge nodes of which a message is missing."
        )
        self.readings_stored = counter("readings_stored", "Readings stored for the first time.")
        self.readings_repeated = counter("readings_repeated", "Readings that were stored already.")
        self.readings_flagged = counter("readings_flagged", "Readings stored with a quality flag.", "flag")
        self.reports_refused = counter("reports_refused", "Reports that could not be used.", "reason")
        self.refused_left_out = counter(
            "reports_refused_left_out",
            "Refused reports that were not kept, since their source had sent too many that day.",
        )
        self.batch_seconds = histogram("intake_batch_seconds", "Time to decode, store and commit a batch.")
        self.batch_failures = counter("intake_batch_failures", "Batches that had to be tried again.")
        self.intake_held_back = counter(
            "intake_held_back_seconds",
            "Time for which the queue was full, so that nothing was read from the broker.",
        )
        self.intake_made_way = counter(
            "intake_made_way_seconds",
            "Time between batches for which the intake let pages go first.",
        )
        self.queue_messages = gauge("intake_queue_messages", "Messages received and not yet stored.")
        self.broker_connected = gauge("broker_connected", "1 while connected to the broker.", "connection")
        self.broker_disconnects = counter("broker_disconnects", "Lost connections.", "connection")
        self.intake_horizon = gauge(
            "intake_horizon_timestamp_seconds", "Time up to which everything received is stored."
        )
        self.watch_seconds = histogram("watch_pass_seconds", "Time of a pass of the watch.")
        self.watch_failures = counter("watch_pass_failures", "Passes that were given up and made again.")
        self.watch_lag = gauge("watch_lag_seconds", "How far the watch is behind the newest arrival.")
        self.readings_judged = counter("readings_judged", "Readings that the watch has seen.")
        self.alarm_changes = counter("alarm_changes", "Alarm changes.", "kind", "severity")
        self.alarms_standing = gauge("alarms_standing", "Standing alarms.", "severity")
        self.outbox_waiting = gauge("outbox_waiting", "Messages that wait for delivery.", "channel")
        self.outbox_oldest_waiting = gauge(
            "outbox_oldest_waiting_seconds", "Age of the oldest message that waits for delivery.", "channel"
        )
        self.outbox_dead = gauge(
            "outbox_dead", "Messages that were given up on and not sent again.", "channel"
        )
        self.notifications = counter("notifications", "Notifications made for a channel.", "channel", "kind")
        self.alarms_held_back = gauge(
            "alarms_held_back", "Alarms that a channel is not told of for now, by why.", "reason"
        )
        self.alarm_flood = gauge("alarm_flood", "1 while more alarms are raised than a person can follow.")
        self.alarms_by_operator_state = gauge(
            "alarms_by_operator_state", "Alarms by what people did with them.", "state"
        )
        self.deliveries = counter("deliveries", "Tries to deliver a message.", "channel", "result")
        self.job_success = gauge("job_last_success_timestamp_seconds", "Last success of a job.", "job")
        self.job_failures = counter("job_failures", "Failed runs of a job.", "job")
        self.store_bytes = gauge("store_bytes", "Size of the store.")
        self.store_free_bytes = gauge("store_free_bytes", "Free space on the disk that holds the store.")
        self.watch_last_pass = gauge(
            "watch_last_pass_timestamp_seconds", "When the watch last finished a pass."
        )
        self.work_owned = gauge("work_owned", "1 while this process does a part of the work.", "work")
        self.heartbeat = gauge("heartbeat_timestamp_seconds", "When the service last said that it lives.")
        self.heartbeats = counter("heartbeats", "Heartbeats for the broker.", "result")
        self.watchman_failures = counter(
            "watchman_failures", "Measurements of the service itself that failed.", "part"
        )
        for name, text in CLOCK_GAUGES.items():
            describe("gauge", name, text, CLOCK_LABELS)
        self.clocks = ClockCollector()
        registry.register(self.clocks)
        for name, text in TRANSMITTER_GAUGES.items():
            describe("gauge", name, text, TRANSMITTER_LABELS)
        describe("gauge", ALARM_GAUGE, ALARM_WORDS, ALARM_LABELS)
        self.fleet = FleetCollector()
        registry.register(self.fleet)
