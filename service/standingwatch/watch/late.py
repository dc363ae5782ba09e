"""Reports that come after their hours have closed: a site sends what it kept while its link was down.

What such reports do. They are kept like all others. Where they go on from their transmitter's newest report,
the detectors see them, with the time that they were measured; ones from further back do not move detectors
back. Hours, and the levels of days that baselines and trends are made of, are made again from all reports
once the burst has paused. What they show is not news: an alarm that was raised and has ended within them is
in the history with its true times and nobody is called for it; one that still stands when they pause is
raised with the time since when it has been true, and its text says that the reports came late
(`alarms/steady.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import Evidence
from standingwatch.alarms.steady import BY_HORIZON
from standingwatch.detect.channels import channel_codes
from standingwatch.detect.engine import Engine, StepResult
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.rollup import Hours, in_order, roll_up
from standingwatch.readings import Fleet, IntArray, Readings
from standingwatch.store.late_days import LateDay, forget_late_day, next_late_day, readings_of_day
from standingwatch.store.watching import save_rollups


@dataclass
class LateWork:
    """A day whose late reports have paused; nothing where there is none.

    Attributes:
        day: the day and its transmitters.
        readings: all of their readings of it.
        hours: its closed hours made again, once `put_right` has.
    """

    day: LateDay | None
    readings: Readings
    hours: Hours

    @classmethod
    def next_of(
        cls,
        connection: Connection,
        seen_before_us: int,
        arrival: int,
        most_rows: int,
        position_of_key: IntArray,
        of_keys: Sequence[int] | None = None,
    ) -> LateWork:
        """The oldest day of which nothing came since a time, with its readings up to an arrival.

        Of a day with more readings than `most_rows`, some of the transmitters: each is put right by itself.
        """
        day = next_late_day(connection, seen_before_us, most_rows, of_keys)
        if day is None:
            return cls(None, Readings.empty(), Hours.empty())
        return cls(day, readings_of_day(connection, day, arrival, position_of_key), Hours.empty())

    def put_right(self, engine: Engine, maintenance: Maintenance, result: StepResult) -> None:
        """Make its hours, and what the engine remembers of it, again; adds to what the step touched."""
        if self.day is None or len(self.readings) == 0:
            return
        ordered = in_order(self.readings)
        hours, code = roll_up(ordered), channel_codes(ordered)
        self.hours = hours.take(np.flatnonzero(hours.hour_us < engine.closed_until_us))
        apart = roll_up(ordered, code) if code.any() else hours
        changed = engine.correct(apart, self.day.day_us, maintenance)
        result.touched["slow"] = np.union1d(result.touched.get("slow", changed), changed)

    def keep(self, connection: Connection, fleet: Fleet) -> None:
        """Write it, in the transaction of the pass."""
        if self.day is not None:
            save_rollups(connection, self.hours, fleet.key[self.hours.transmitter])
            forget_late_day(connection, self.day)


def late_evidence(evidence: Sequence[Evidence], closed_before_us: int, noted_us: int) -> list[Evidence]:
    """Evidence, with what reports of hours that had closed before they came have shown marked as late.

    Silence is never late: what has come late says nothing about it (`detect/silence.py`).
    """
    marked = []
    for piece in evidence:
        if piece.time_us < closed_before_us and piece.key.condition not in BY_HORIZON:
            late_s = round((noted_us - piece.time_us) / 1e6)
            piece = replace(piece, is_late=True, values={**piece.values, "came_late_s": late_s})
        marked.append(piece)
    return marked
