"""Clocks of sites: how far each is behind ours, whether it drifts, and when it jumped.

A report's delay is its receipt less its own time. What a message takes on its way only adds to it, so the
least delay of a group of reports is nearest to how far the site's clock is behind ours (below 0: ahead). A
backlog after an outage has large delays too, but they shrink as it drains, while those of a clock that is
off stay as they are: a level counts when the last groups agree to within what no clock drifts by. So a
backlog that drains at less than 1.02 times the pace of life would be taken for a clock that is behind.

The state is one record per site. It depends on the reports and their order alone, not on how the stream is
cut into calls; numbers that have no source are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

State = npt.NDArray[np.void]

#: Groups that have to agree before a level counts.
GROUPS = 3
#: Levels that are kept for the drift, an hour apart at least.
POINTS = 48
POINT_EVERY_US = 3_600_000_000
#: A drift is told from so many levels over so long a time, and when it is so many times their scatter.
POINTS_LEAST, POINTS_SPAN_US, DRIFT_SCATTERS = 6, 6 * 3_600_000_000, 3.0
#: No clock drifts by more: what differs faster is a backlog or a jump (quartz is off by 100 ppm at most).
RATE_MOST = 0.02
#: What levels may differ by whatever the time between them [us].
JITTER_US = 1_000_000
#: Drift that is no jump: of a clock that nobody heard for long [ratio].
DRIFT_MOST = 200e-6

CLOCK_STATE = np.dtype(
    [
        # The group under way: receipt of its first report (0 for none), least delay so far.
        ("open_us", np.int64),
        ("open_behind_us", np.int64),
        # The last groups, newest last: receipt of the first report of each (0 for none), least delay.
        ("group_us", np.int64, GROUPS),
        ("group_behind_us", np.int64, GROUPS),
        # The last level that groups agreed on, and when it was last seen (0 for never).
        ("behind_us", np.int64),
        ("seen_us", np.int64),
        # How far it is held to be off: 0 while that is within the tolerance; and since which receipt.
        ("off_us", np.int64),
        ("off_since_us", np.int64),
        # Jumps so far, and the last: by how much it then was further behind, and when that was seen.
        ("jumps", np.int64),
        ("jump_by_us", np.int64),
        ("jump_us", np.int64),
        # Levels since the last jump, newest last (time 0 for none).
        ("point_us", np.int64, POINTS),
        ("point_behind_us", np.int64, POINTS),
        # What they show of a drift [s per day], and whether they do.
        ("drift_s_per_day", np.float64),
        ("drifts", np.bool_),
    ]
)


@dataclass(frozen=True)
class ClockSettings:
    """When a clock is off.

    Attributes:
        tolerance_us: how far a clock may be off [us], above 0; one that is off is so until it is within half.
        group_us: reports received within this time of each other are a group [us], above 0.
    """

    tolerance_us: int = 60_000_000
    group_us: int = 60_000_000

    def __post_init__(self) -> None:
        for name in ("tolerance_us", "group_us"):
            if getattr(self, name) <= 0:
                raise ValueError(f"clocks: {name} is {getattr(self, name)}, wanted above 0 [us]")


@dataclass(frozen=True, eq=False)
class Observed:
    """What a call of `observe` found.

    Attributes:
        state: the records after it.
        off_us: for each report how far its site's clock was held to be off when it came [us]: 0 while it was
            within the tolerance, not known, or the report's time is that of its receipt. Added to the
            report's time it gives when that was by our clock.
        judged: sites (positions) whose record has a new group: what is worth keeping.
    """

    state: State
    off_us: IntArray
    judged: IntArray


def unknown_clocks(sites: int) -> State:
    """Records of sites that were never heard."""
    return np.zeros(sites, dtype=CLOCK_STATE)


def observe(
    state: State, site: IntArray, received_us: IntArray, time_us: IntArray, settings: ClockSettings
) -> Observed:
    """Take reports in, in the order in which they were received.

    Parameters
    ----------
    state
        A record of `CLOCK_STATE` per site. It is not changed.
    site
        Position of each report's site in `state`. Shape (reports,).
    received_us, time_us
        When each was received by our clock, and when it was measured by the site's [us since 1970-01-01 UTC].
        A report whose time is exactly that of its receipt was given it and says nothing about a clock.
    settings
        When a clock is off.

    Raises
    ------
    ValueError
        If the lengths differ or a position is not in `state`.
    """
    if not len(site) == len(received_us) == len(time_us):
        raise ValueError(
            f"clocks: {len(site)} sites, {len(received_us)} receipts and {len(time_us)} times; give one each"
        )
    off_us = np.zeros(len(site), dtype=np.int64)
    behind_us = received_us - time_us
    told = np.flatnonzero(behind_us != 0)
    if len(told) == 0:
        return Observed(state, off_us, np.empty(0, dtype=np.int64))
    if not 0 <= site[told].min() <= site[told].max() < len(state):
        raise ValueError(f"clocks: sites run to {site[told].max()}, wanted 0 to {len(state) - 1}")
    state = state.copy()
    judged: list[IntArray] = []
    rows = told[np.argsort(site[told], kind="stable")]
    while len(rows):
        owner, first, of_row = np.unique(site[rows], return_index=True, return_inverse=True)
        open_us = state["open_us"][owner]
        begin_us = received_us[rows[first]]
        # The first report of each site that is left: does it still belong to the group under way?
        over = (open_us != 0) & _apart(begin_us, open_us, settings)
        _close(state, owner[over], begin_us[over], settings)
        if over.any():
            judged.append(owner[over])
        fresh = over | (open_us == 0)
        state["open_us"][owner[fresh]] = begin_us[fresh]
        state["open_behind_us"][owner[fresh]] = behind_us[rows[first[fresh]]]
        # All reports up to the first that does not belong to it any more.
        out = _apart(received_us[rows], state["open_us"][owner][of_row], settings)
        past = np.add.reduceat(out, first, dtype=np.int64)
        before: IntArray = np.cumsum(out) - out
        within = ~out & (before == (np.cumsum(past) - past)[of_row])
        off_us[rows[within]] = state["off_us"][owner][of_row[within]]
        np.minimum.at(state["open_behind_us"], site[rows[within]], behind_us[rows[within]])
        rows = rows[~within]
    return Observed(state, off_us, np.unique(np.concatenate(judged)) if judged else told[:0])


def _apart(received_us: IntArray, open_us: IntArray, settings: ClockSettings) -> BoolArray:
    """Whether receipts lie outside of groups that began at some time; also where our clock was set back."""
    apart: BoolArray = np.abs(received_us - open_us) >= settings.group_us
    return apart


def _close(state: State, owner: IntArray, now_us: IntArray, settings: ClockSettings) -> None:
    """End the groups under way of some sites, and see whether the last ones agree on a level."""
    if len(owner) == 0:
        return
    for ring, value in (("group_us", "open_us"), ("group_behind_us", "open_behind_us")):
        state[ring][owner] = np.column_stack([state[ring][owner][:, 1:], state[value][owner]])
    group_us, levels = state["group_us"][owner], state["group_behind_us"][owner]
    elapsed = group_us[:, -1] - group_us[:, 0]
    allowed = np.minimum(JITTER_US + RATE_MOST * elapsed, np.maximum(0.5 * settings.tolerance_us, JITTER_US))
    agree = (group_us > 0).all(axis=1) & (elapsed > 0) & (np.ptp(levels, axis=1) <= allowed)
    rows = owner[agree]
    level, seen_us = levels[agree].min(axis=1), group_us[agree, -1]
    _note_jumps(state, rows, level, seen_us, settings)
    state["behind_us"][rows], state["seen_us"][rows] = level, seen_us
    _note_points(state, rows, level, seen_us)
    off_us, half = state["off_us"][rows], settings.tolerance_us // 2
    begins = (off_us == 0) & (np.abs(level) > settings.tolerance_us)
    ends = (off_us != 0) & (np.abs(level) <= half)
    moves = (off_us != 0) & ~ends & (np.abs(level - off_us) > half)
    changes = begins | ends | moves
    state["off_us"][rows[changes]] = np.where(ends, 0, level)[changes]
    state["off_since_us"][rows[changes]] = now_us[agree][changes]


def _note_jumps(
    state: State, rows: IntArray, level: IntArray, seen_us: IntArray, settings: ClockSettings
) -> None:
    """Levels that differ from the last one by more than any drift meanwhile."""
    known = state["seen_us"][rows] > 0
    by = level - state["behind_us"][rows]
    passed = np.abs(seen_us - state["seen_us"][rows])
    jumped = known & (np.abs(by) > settings.tolerance_us // 2 + DRIFT_MOST * passed)
    rows = rows[jumped]
    state["jumps"][rows] += 1
    state["jump_by_us"][rows], state["jump_us"][rows] = by[jumped], seen_us[jumped]
    state["point_us"][rows] = 0
    state["drifts"][rows] = False


def _note_points(state: State, rows: IntArray, level: IntArray, seen_us: IntArray) -> None:
    """Keep a level for the drift when the last kept one is old enough."""
    due = seen_us - state["point_us"][rows, -1] >= POINT_EVERY_US
    rows = rows[due]
    for ring, value in (("point_us", seen_us), ("point_behind_us", level)):
        state[ring][rows] = np.column_stack([state[ring][rows][:, 1:], value[due]])
    drift = _slopes_s_per_day(state, rows)
    state["drifts"][rows] = np.isfinite(drift)
    state["drift_s_per_day"][rows] = np.nan_to_num(drift)


def _slopes_s_per_day(state: State, rows: IntArray) -> FloatArray:
    """How fast each clock falls behind [s per day] by its kept levels; NaN where that cannot be told."""
    result = np.full(len(rows), np.nan)
    first, second = np.triu_indices(POINTS, 1)
    for at, row in enumerate(rows.tolist()):
        time_us, level = state["point_us"][row], state["point_behind_us"][row].astype(np.float64)
        pairs = (time_us[first] > 0) & (time_us[second] > time_us[first])
        span = (time_us[second] - time_us[first])[pairs].astype(np.float64)
        if np.count_nonzero(time_us > 0) < POINTS_LEAST or len(span) == 0 or span.max() < POINTS_SPAN_US:
            continue
        slope = float(np.median((level[second] - level[first])[pairs] / span))
        kept = time_us > 0
        about = level[kept] - slope * (time_us[kept] - time_us[kept][0])
        scatter = float(np.median(np.abs(about - np.median(about))))
        if abs(slope) * span.max() > DRIFT_SCATTERS * scatter:
            result[at] = slope * 86_400.0
    return result


def is_known(state: State) -> BoolArray:
    """Whether anything is known of each clock."""
    known: BoolArray = state["seen_us"] > 0
    return known


def drift_s_per_day(state: State) -> FloatArray:
    """How fast each clock falls behind [s per day], below 0 where it gains; NaN where that cannot be told.

    The median of the slopes between all pairs of kept levels (Theil and Sen), where there are enough of
    them and the drift is more than their scatter about that line.
    """
    drift: FloatArray = np.where(state["drifts"], state["drift_s_per_day"], np.nan)
    return drift


def to_plain(record: Any) -> dict[str, Any]:
    """One record as plain numbers by name, for keeping."""
    return {name: record[name].tolist() for name in CLOCK_STATE.names or ()}


def from_plain(plain: dict[str, Any]) -> State:
    """One record from what `to_plain` gave; a field that it does not have, or in another length, is 0."""
    record = unknown_clocks(1)
    for name in CLOCK_STATE.names or ():
        value = plain.get(name)
        if value is not None and np.shape(value) == record[name][0].shape:
            record[name][0] = value
    return record
