"""What the store has of the antenna lines of a visit: hours, baselines, and the proof from them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, select

from standingwatch.inventory import InventoryRow
from standingwatch.inventory.rows import feeder_loss_db, loss_behind_coupler_db
from standingwatch.review.measuring import LineFacts
from standingwatch.review.new_baseline import Known, NewBaseline, new_baseline
from standingwatch.review.proof import prove
from standingwatch.review.proof_data import COURSE_DAYS, Course, Measure, Proof, Verdict, Work
from standingwatch.review.visits import Trouble, Visit
from standingwatch.store import tables
from standingwatch.store.alarming import standing_alarms
from standingwatch.store.board import closed_until_us
from standingwatch.store.watching import BaselineRow, rollup_frame

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

#: The present match is the median of the hours of so many days.
PRESENT_DAYS = 2

#: The transmitters of a site by name: number in the store, and inventory row.
Lines = Mapping[str, tuple[int, InventoryRow]]


@dataclass(frozen=True)
class Baselines:
    """The baselines of one transmitter around a visit.

    Attributes:
        before: that which held when the work began; None without one.
        now: the newest; None without one.
        opened: whether the work has opened a new one, which the watch learns or has learned.
    """

    before: BaselineRow | None
    now: BaselineRow | None
    opened: bool

    def new(self, transmitter: str, visit: Visit) -> NewBaseline:
        """How it stands with the new one, which a person accepts."""
        row = self.now
        known = None if row is None else Known(row.version, row.kind, row.rho, row.spread, row.time_us)
        return new_baseline(transmitter, known, self.opened, visit.accepted)


def course_of(connection: Connection, key: int, start_us: int, end_us: int) -> Course:
    """The hours of one transmitter in a span."""
    frame = rollup_frame(connection, start_us, end_us, key)

    def floats(name: str) -> np.ndarray:
        return frame[name].to_numpy(dtype=np.float64)

    return Course(
        frame["hour_us"].to_numpy(dtype=np.int64),
        frame["reports"].to_numpy(dtype=np.int64),
        frame["usable"].to_numpy(dtype=np.int64),
        floats("forward_w"),
        floats("rho_level"),
        floats("rho_high"),
        floats("precipitation"),
    )


def baselines_of(connection: Connection, key: int, visit: Visit) -> Baselines:
    """The baselines of one transmitter before the work of a visit, or the alarm, and now."""
    columns = tables.baselines.c
    query = select(tables.baselines).where(columns.transmitter == key).order_by(columns.version)
    rows = [
        BaselineRow(r.version, r.time_us, r.kind, r.rho, r.spread, r.reason)
        for r in connection.execute(query)
    ]
    begun_us, ended_us = visit.begun_us, visit.ended_us
    known = [row for row in rows if row.rho is not None and (begun_us is None or row.time_us <= begun_us)]
    after = [] if ended_us is None else [row for row in rows if row.time_us >= ended_us]
    return Baselines(known[-1] if known else None, rows[-1] if rows else None, bool(after))


def prove_visit(connection: Connection, visit: Visit, lines: Lines, now_us: int) -> list[Proof]:
    """The proof of each transmitter of a visit that is done; empty for one that is not.

    Args:
        connection: one reading transaction.
        visit: which.
        lines: the transmitters of its site.
        now_us: now [Unix microseconds].
    """
    if visit.begun_us is None or visit.ended_us is None:
        return []
    until_us = min(closed_until_us(connection), now_us)
    work = Work(visit.begun_us, visit.ended_us, until_us)
    standing: dict[str, list[str]] = {}
    for one in standing_alarms(connection):
        if one.alarm.key.site == visit.site and one.alarm.raised_us >= visit.ended_us:
            standing.setdefault(one.alarm.key.transmitter, []).append(one.alarm.key.condition.value)
    proofs = []
    for trouble in visit.troubles:
        if not trouble.calls:
            continue
        for name in trouble.names or tuple(lines):
            if name in lines:
                about = {name, trouble.transmitter}
                in_alarm = tuple(word for one in sorted(about) for word in standing.get(one, []))
                proofs.append(_prove(connection, visit, trouble, name, lines, work, in_alarm))
    if not proofs:
        reason = "none of its transmitters is on the site list any more"
        return [Proof("", Measure.ALARM, Verdict.NOT_YET, (reason,))]
    return proofs


def _prove(
    connection: Connection,
    visit: Visit,
    trouble: Trouble,
    name: str,
    lines: Lines,
    work: Work,
    in_alarm: tuple[str, ...],
) -> Proof:
    key, row = lines[name]
    raised_us = min((alarm.raised_us for alarm in trouble.alarms), default=work.begun_us)
    start_us = min(work.begun_us, raised_us) - COURSE_DAYS * DAY_US
    before = baselines_of(connection, key, visit).before
    return prove(
        trouble,
        name,
        course_of(connection, key, start_us, work.until_us),
        work,
        baseline_rho=math.nan if before is None or before.rho is None else before.rho,
        loss_db=loss_behind_coupler_db(row),
        in_alarm=in_alarm,
    )


def facts_of(connection: Connection, visit: Visit, lines: Lines, now_us: int) -> list[LineFacts]:
    """What is known of each antenna line of the visit's site."""
    concerned = {name for trouble in visit.troubles for name in trouble.names}
    groups: dict[str, list[str]] = {}
    for name, (_, row) in lines.items():
        if row.antenna_line:
            groups.setdefault(row.antenna_line, []).append(name)
    found = []
    for name, (key, row) in lines.items():
        baseline_rho = present_rho = math.nan
        if name in concerned:
            before = baselines_of(connection, key, visit).before
            if before is not None and before.rho is not None:
                baseline_rho = before.rho
            course = course_of(connection, key, now_us - PRESENT_DAYS * DAY_US, now_us)
            levels = course.rho_level[(course.usable > 0) & np.isfinite(course.rho_level)]
            present_rho = float(np.median(levels)) if len(levels) else math.nan
        length = "" if row.feeder_length_m is None else f"{row.feeder_length_m:g} m "
        shared = tuple(other for other in groups.get(row.antenna_line or "", []) if other != name)
        found.append(
            LineFacts(
                name,
                row.frequency_mhz,
                _known(row.rated_power_w),
                f"{length}{row.feeder_type or ''}".strip(),
                feeder_loss_db(row),
                row.coupler_place or "",
                row.matching_unit or "",
                _known(row.coupler_directivity_db),
                baseline_rho,
                present_rho,
                shared,
            )
        )
    return found


def _known(value: float | None) -> float:
    return math.nan if value is None else value
