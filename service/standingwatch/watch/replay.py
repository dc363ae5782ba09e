"""Replay: a file of history through the same engine and alarm lifecycle as live, without a store.

The history comes in slices in order of time; how it is sliced changes nothing in the result.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TextIO

from standingwatch.alarms.event import change_data, rfc3339
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, ChangeKind, Evidence
from standingwatch.alarms.steady import Delay, SteadySettings, advance
from standingwatch.detect.detectors import all_detectors
from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.judged import Prepared
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify
from standingwatch.review.proposals import Proposal, Resource, propose
from standingwatch.watch.judging import to_evidence

if TYPE_CHECKING:
    from standingwatch.watch.explain import Recorder

DAY_US = 24 * HOUR_US


@dataclass
class ReplaySummary:
    """What a replay found, for summary.json.

    Attributes:
        readings: readings replayed.
        unknown: readings of transmitters that are not in the inventory.
        refused: rows that could not be used, by reason.
        first_us, last_us: span of the readings [Unix microseconds].
        raised: alarms raised, by condition and severity.
        changes: lines of alarms.jsonl.
        visits: lines of visits.jsonl.
        standing: alarms that stand at the end.
    """

    readings: int = 0
    unknown: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    first_us: int = 0
    last_us: int = 0
    raised: Counter[tuple[str, str]] = field(default_factory=Counter)
    changes: int = 0
    visits: int = 0
    standing: int = 0

    def as_data(self, fleet: Fleet) -> dict[str, Any]:
        """The summary as JSON data."""
        span_days = (self.last_us - self.first_us) / DAY_US if self.readings else 0.0
        return {
            "readings": self.readings,
            "readings_of_unknown_transmitters": self.unknown,
            "rows_refused": dict(sorted(self.refused.items())),
            "transmitters": len(fleet),
            "sites": len(fleet.site_names),
            "first_reading": rfc3339(self.first_us) if self.readings else None,
            "last_reading": rfc3339(self.last_us) if self.readings else None,
            "days": round(span_days, 3),
            "alarm_changes": self.changes,
            "alarms_raised": [
                {"condition": condition, "severity": severity, "count": count}
                for (condition, severity), count in sorted(self.raised.items())
            ],
            "alarms_standing_at_the_end": self.standing,
            "visits_proposed": self.visits,
        }


@dataclass(frozen=True)
class Piece:
    """A slice that is ready to be judged.

    Attributes:
        prepared: its readings.
        rows: how many there were.
        first_us, last_us: their span [Unix microseconds].
    """

    prepared: Prepared
    rows: int
    first_us: int
    last_us: int


class Replay:
    """Judges slices of readings in order of time, and writes what follows.

    Args:
        fleet: the transmitters.
        settings: the detectors' settings.
        maintenance: work on record.
        future_tolerance_s: as for the intake [s].
        alarms_out: where alarm changes go, a JSON object a line.
        visits_out: where visit proposals go, likewise.
        recorder: notes what the detectors see; None for none.
        steady: delays before alarms count, and what chatters; None for the defaults.
    """

    def __init__(
        self,
        fleet: Fleet,
        settings: DetectionSettings,
        maintenance: Maintenance,
        future_tolerance_s: float,
        alarms_out: TextIO,
        visits_out: TextIO,
        recorder: Recorder | None = None,
        steady: SteadySettings | None = None,
    ) -> None:
        detectors = all_detectors(settings.detectors)
        self._engine = Engine(fleet, settings, detectors if recorder is None else (*detectors, recorder))
        self._recorder = recorder
        if recorder is not None:
            recorder.note_bursts(self._engine.slow["bursts"])
        self._fleet = fleet
        self._maintenance = maintenance
        self._future_tolerance_s = future_tolerance_s
        self._carry = QualityCarry.empty(len(fleet))
        self._alarms: dict[AlarmKey, Alarm] = {}
        self._delays: dict[AlarmKey, Delay] = {}
        self._steady = steady or SteadySettings()
        self._proposed: set[Resource] = set()
        self._next_day_us = 0
        self._alarms_out = alarms_out
        self._visits_out = visits_out
        self._since_us = 0
        self._prepared_us: int | None = None
        self._grace_us = int(settings.hour_grace_s * 1e6)
        self.summary = ReplaySummary()

    def feed(self, readings: Readings) -> None:
        """Judge a slice; its readings are not older than those of the slices before."""
        if len(readings):
            self.judge(self.prepare(readings))

    def prepare(self, readings: Readings) -> Piece:
        """The first half of judging a slice, of one reading at least.

        It shares nothing with the second half, so that another process may prepare slices while this one
        judges those before them, in the same order.
        """
        ordered = readings.sorted_by_time()
        first, last = int(ordered.time_us[0]), int(ordered.time_us[-1])
        self._prepared_us = last
        # Readings of the same time may follow with the next slice.
        return Piece(self._prepare(ordered, last - 1), len(ordered), first, last)

    def _prepare(self, ordered: Readings, until_us: int) -> Prepared:
        qualified, self._carry = qualify(
            ordered, self._fleet, ordered.time_us, self._carry, self._future_tolerance_s
        )
        return self._engine.prepare(qualified, until_us=until_us, maintenance=self._maintenance)

    def rest(self) -> Prepared | None:
        """What is left when the last slice was prepared; None where there was none."""
        return None if self._prepared_us is None else self._prepare(Readings.empty(), self._prepared_us)

    def judge(self, piece: Piece) -> None:
        """The second half: judge a slice that was prepared, and write what follows."""
        if not self.summary.readings:
            first = self._since_us = self.summary.first_us = piece.first_us
            # What a day showed is told when its last hour has closed; then it is asked who has to drive.
            self._next_day_us = first - first % DAY_US + DAY_US + self._grace_us
        self.summary.readings += piece.rows
        self.summary.last_us = piece.last_us
        self._judge(piece.prepared)

    def _judge(self, prepared: Prepared) -> None:
        until_us = prepared.until_us
        result = self._engine.judge(prepared, since_us=self._since_us, maintenance=self._maintenance)
        if self._recorder is not None:
            self._recorder.note_changes(result.baselines)
        evidence = to_evidence(result.findings, self._fleet)
        begin = 0
        # Visits are proposed once a day from the alarms as they stood then.
        while self._next_day_us <= until_us:
            end = begin
            while end < len(evidence) and evidence[end].time_us <= self._next_day_us:
                end += 1
            closed_us = min(self._next_day_us - self._grace_us, prepared.closed_to_us)
            self._advance(evidence[begin:end], self._next_day_us, closed_us)
            self._propose(self._next_day_us)
            begin, self._next_day_us = end, self._next_day_us + DAY_US
        self._advance(evidence[begin:], until_us, prepared.closed_to_us)

    def _advance(self, evidence: Sequence[Evidence], until_us: int, closed_us: int) -> None:
        advanced = advance(
            self._alarms,
            self._delays,
            evidence,
            self._steady,
            until_us=until_us,
            closed_us=closed_us,
            noted_us=until_us,
        )
        self._write(advanced.changes)

    def finish(self, rest: Prepared | None = None) -> ReplaySummary:
        """Judge what is left after the last reading: `rest`, where another process prepared the slices."""
        rest = self.rest() if rest is None else rest
        if rest is not None:
            self._judge(rest)
            self._propose(self.summary.last_us)
        self.summary.standing = sum(not a.is_cleared for a in self._alarms.values())
        return self.summary

    def _write(self, changes: list[Change]) -> None:
        for change in changes:
            data = change_data(change)
            causes = data["likely_causes"]
            line = {
                "time": data["time_changed"],
                "site": data["site"] or "",
                "transmitter": data["transmitter"] or "",
                "condition": data["condition"],
                "severity": data["severity"],
                "likely_cause": causes[0]["cause"] if causes else "unknown",
                "text": data["text"],
                "change": change.kind.value,
                "previous_severity": data["previous_severity"],
                "time_raised": data["time_raised"],
                "probable_cause": data["probable_cause"],
                "likely_causes": causes,
                "evidence": data["evidence"],
                "region": data["region"] or "",
                "members": data["members"],
                "forecast": data["forecast"],
            }
            self._alarms_out.write(json.dumps(line, allow_nan=False) + "\n")
            self.summary.changes += 1
            if change.kind is ChangeKind.RAISED:
                self.summary.raised[data["condition"], data["severity"]] += 1

    def _propose(self, now_us: int) -> None:
        for visit in propose(self._alarms.values(), self._proposed, now_us):
            self._visits_out.write(json.dumps(visit_line(visit)) + "\n")
            self.summary.visits += 1


def visit_line(visit: Proposal) -> dict[str, Any]:
    """A proposal as a line of visits.jsonl."""
    return {
        "date": datetime.fromtimestamp(visit.time_us / 1e6, tz=UTC).date().isoformat(),
        "site": visit.site,
        "transmitter": visit.transmitter,
        "likely_cause": visit.likely_cause.value,
        "urgency": visit.urgency,
        "condition": visit.condition.value,
        "members": list(visit.members),
    }
