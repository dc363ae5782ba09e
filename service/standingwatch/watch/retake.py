"""The watch's memory made anew from all readings in the store, when history has been put in that is older.

Live goes on meanwhile: a further engine goes through the readings in order of time, a part with every pass,
and takes the place of the first one when it has caught up, in one transaction. It is the same code as live
and replay, so the baselines are those that it would have learned had the history come as it happened.

Nothing of the past is alarmed. What stands when the history has been taken in, and the alarm list does not
have, is raised with the time since when it was true; what it has and does not stand any more is cleared.
Silence is not judged from files: what the intake knows of it stays.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection, func, select

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.alarms.steady import BY_HORIZON, Delay, SteadySettings, advance
from standingwatch.detect.engine import DetectionSettings, Engine, Links
from standingwatch.detect.interface import BaselineChange, Maintenance
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import SERVICE_CONDITIONS, Severity
from standingwatch.readings import Flag, Fleet, IntArray, Readings
from standingwatch.store import tables
from standingwatch.store.history import next_reading_us, readings_of_span
from standingwatch.store.imports import history_mark
from standingwatch.store.reports import readings_between
from standingwatch.watch.judging import to_evidence

log = logging.getLogger("standingwatch.watch")

#: Mark that says up to which change of the history the watch has taken it in.
TAKEN_MARK = "history-taken"

#: Readings that are taken with one pass of the watch, about.
ROWS_A_PASS = 60_000

_DAY_US = 24 * HOUR_US

#: Detectors whose state is what the intake knows, and no file.
_OF_THE_INTAKE = ("silence",)


@dataclass(frozen=True)
class Taken:
    """What a retake has come to.

    Attributes:
        engine: with the state after all readings.
        baselines: all that were learned, in order.
        alarms, delays: as they stand.
        until_us: time judged up to [Unix microseconds].
    """

    engine: Engine
    baselines: Sequence[BaselineChange]
    alarms: Mapping[AlarmKey, Alarm]
    delays: Mapping[AlarmKey, Delay]
    until_us: int


def history_to_take(connection: Connection, taken_mark: str = TAKEN_MARK) -> int | None:
    """Number of the change of the history that waits to be taken in; None where there is none."""
    ready = history_mark(connection)
    return ready if ready > history_mark(connection, taken_mark) else None


def is_whole(connection: Connection) -> bool:
    """Whether the readings of all hours are there; not once some are past their retention.

    What was learned from readings that are gone would be lost if all were learned anew from the rest.
    """
    first_hour = connection.execute(select(func.min(tables.rollups.c.hour_us))).scalar()
    first_us = next_reading_us(connection, 0)
    return first_hour is None or (first_us is not None and first_hour >= first_us - first_us % HOUR_US)


class Retake:
    """Goes through all readings in order of time.

    Args:
        version: number of the change of the history that it takes in.
        fleet: the site list.
        detection, steady: settings.
        position_of_key: position in the fleet of each transmitter's number in the store.
        links: all link reports.
        start_us: time of the first reading, 0 if there is none [Unix microseconds].
    """

    def __init__(
        self,
        version: int,
        fleet: Fleet,
        detection: DetectionSettings,
        steady: SteadySettings,
        position_of_key: IntArray,
        links: Links,
        start_us: int,
    ) -> None:
        self.version, self.fleet = version, fleet
        self._engine = Engine(fleet, detection)
        self._steady = steady
        self._position_of_key = position_of_key
        self._links = links
        self._at_us = start_us - start_us % HOUR_US
        self._width_us = HOUR_US
        self._baselines: list[BaselineChange] = []
        self._alarms: dict[AlarmKey, Alarm] = {}
        self._delays: dict[AlarmKey, Delay] = {}

    def go_on(self, connection: Connection, maintenance: Maintenance, before_us: int) -> bool:
        """Take a part in; true when what is left is so little that `finish` may take it.

        Args:
            connection: a reading transaction.
            maintenance: all work on record.
            before_us: how far the watch has come [Unix microseconds].
        """
        rows = 0
        while rows < ROWS_A_PASS:
            following = next_reading_us(connection, self._at_us)
            if following is None:
                return True
            self._at_us = max(self._at_us, following - following % HOUR_US)
            to_us = self._at_us + self._width_us
            if to_us >= before_us:
                if self._width_us == HOUR_US or before_us - self._at_us <= HOUR_US:
                    return True
                self._width_us = HOUR_US
                continue
            readings = readings_of_span(connection, self._at_us, to_us, self._position_of_key)
            self._step(_in_time(readings), to_us - 1, maintenance)
            rows += max(len(readings), 1)
            share = ROWS_A_PASS / max(len(readings), 1)
            self._width_us = int(np.clip(self._width_us * np.clip(share, 0.25, 4.0), HOUR_US, 8 * _DAY_US))
            self._width_us -= self._width_us % HOUR_US
            self._at_us = to_us
        return False

    def finish(
        self, connection: Connection, maintenance: Maintenance, arrival: int, until_us: int, live: Engine
    ) -> Taken:
        """Take the rest in, up to where the watch stands.

        Args:
            connection: a reading transaction.
            maintenance: all work on record.
            arrival: the last arrival that the watch has judged.
            until_us: time that it has judged up to; 0 if it never has [Unix microseconds].
            live: its engine: what it knows of silence stays.
        """
        rest = readings_between(
            connection, self._at_us, np.iinfo(np.int64).max, arrival, self._position_of_key
        )
        rest = _in_time(rest.take((rest.flags & int(Flag.FUTURE)) == 0))
        if not until_us:
            until_us = int(rest.time_us.max()) if len(rest) else max(self._at_us - 1, 0)
        self._step(rest, until_us, maintenance)
        for name in _OF_THE_INTAKE:
            self._engine.quick[name] = live.quick[name]
            self._engine.site[name] = live.site[name]
        return Taken(self._engine, self._baselines, self._alarms, self._delays, until_us)

    def _step(self, readings: Readings, until_us: int, maintenance: Maintenance) -> None:
        due = self._links.time_us <= until_us
        links = Links(self._links.site[due], self._links.time_us[due], self._links.online[due])
        self._links = Links(self._links.site[~due], self._links.time_us[~due], self._links.online[~due])
        # Since now: no gap in a file is a silence.
        prepared = self._engine.prepare(readings, until_us=until_us, maintenance=maintenance)
        result = self._engine.judge(prepared, since_us=until_us, links=links, maintenance=maintenance)
        self._baselines += result.baselines
        advance(
            self._alarms,
            self._delays,
            to_evidence(result.findings, self._engine.fleet),
            self._steady,
            until_us=until_us,
            closed_us=self._engine.closed_until_us,
            noted_us=until_us,
        )


def _in_time(readings: Readings) -> Readings:
    """Readings in order of time are not late, however late they came."""
    late = readings.flags & int(Flag.LATE)
    return replace(readings, flags=readings.flags & ~int(Flag.LATE)) if late.any() else readings


def stays(key: AlarmKey) -> bool:
    """Whether an alarm is about what no file says: silence, and the service itself."""
    return key.condition in BY_HORIZON or key.condition in SERVICE_CONDITIONS or bool(key.service)


def differences(
    alarms: dict[AlarmKey, Alarm], taken: Mapping[AlarmKey, Alarm], until_us: int, noted_us: int
) -> list[Change]:
    """What the history changes in the alarm list, which is brought up to date.

    Args:
        alarms: the alarm list.
        taken: the alarms with the history.
        until_us: time judged up to [Unix microseconds].
        noted_us: now [Unix microseconds].
    """
    changes = []
    for key in sorted({*alarms, *taken}):
        if stays(key):
            continue
        before, after = alarms.get(key), taken.get(key)
        stood = before is not None and not before.is_cleared
        if after is not None and not after.is_cleared:
            piece = Evidence(
                key,
                after.severity,
                after.changed_us if stood else after.raised_us,
                after.values,
                after.causes,
                after.members,
                after.forecast,
                chatters=after.chatters,
            )
        elif stood:
            why = {"why": "judged anew with history that was put in later"}
            piece = Evidence(key, Severity.CLEARED, until_us, why, is_final=True)
        else:
            continue
        change = apply(before, piece, noted_us)
        if change is not None:
            alarms[key] = change.alarm
            changes.append(change)
    return changes
