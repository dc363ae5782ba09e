"""When the invented network talks: the chance that a report finds a transmitter keyed.

Repeaters and base stations follow the day and the week; control channels and beacons are always keyed. The
rhythm is invented for the demo (busy by day, quiet by night and less on weekends: common practice, no
source).
"""

from __future__ import annotations

import numpy as np

from standingwatch.demo.chance import BoolArray, FloatArray, IntArray, uniform
from standingwatch.demo.weather import HOUR_S, UTC_OFFSET_HOURS

WEEKEND_SHARE = 0.55
STALE_LOOK_BACK = 60
"""Reports over which a meter that holds its last keyed values is followed back."""

_KEYING = 31

# Load by local hour as a share of the busy hour, 0 o'clock first.
_HOURLY_SHARE = np.array(
    [
        0.12, 0.08, 0.06, 0.06, 0.08, 0.18, 0.42, 0.75, 0.95, 1.00, 0.96, 0.92,
        0.85, 0.90, 0.95, 0.97, 1.00, 0.88, 0.68, 0.52, 0.42, 0.34, 0.25, 0.18,
    ]
)  # fmt: skip


def keyed_chance(busy_load: FloatArray, always_keyed: BoolArray, time_s: IntArray) -> FloatArray:
    """Return the probability that a report made at a time is of a keyed transmitter.

    Args:
        busy_load: probability in the busiest hour of a weekday, 0..1, shape (n,).
        always_keyed: control channels and beacons, shape (n,).
        time_s: Unix seconds, shape (n,).
    """
    local_s = time_s + UTC_OFFSET_HOURS * HOUR_S
    hours = local_s / HOUR_S
    hour = np.floor(hours).astype(np.int64)
    share = hours - hour
    rhythm = _HOURLY_SHARE[hour % 24] * (1.0 - share) + _HOURLY_SHARE[(hour + 1) % 24] * share
    # Day 0 of Unix time was a Thursday.
    weekend = (local_s // 86400 + 3) % 7 >= 5
    load = busy_load * rhythm * np.where(weekend, WEEKEND_SHARE, 1.0)
    return np.where(always_keyed, 1.0, load)


def is_keyed(
    seed: int, transmitter: IntArray, busy_load: FloatArray, always_keyed: BoolArray, time_s: IntArray
) -> BoolArray:
    """Return whether the report of each transmitter at each time is of a keyed transmitter."""
    return uniform(seed, _KEYING, transmitter, time_s) < keyed_chance(busy_load, always_keyed, time_s)


def last_keyed_time(
    seed: int,
    transmitter: IntArray,
    busy_load: FloatArray,
    time_s: IntArray,
    interval_s: IntArray,
) -> IntArray:
    """Return when each transmitter was last keyed at one of its earlier reports.

    Args:
        seed: the simulator's seed.
        transmitter: transmitter numbers, shape (n,).
        busy_load: probability in the busiest hour, shape (n,).
        time_s: Unix seconds of the present reports, shape (n,).
        interval_s: time between reports [s], shape (n,).

    Returns:
        Unix seconds, -1 where none of the last `STALE_LOOK_BACK` reports was keyed.
    """
    found = np.full(len(time_s), -1, dtype=np.int64)
    open_rows = np.arange(len(time_s))
    never = np.zeros(len(time_s), dtype=np.bool_)
    for back in range(1, STALE_LOOK_BACK + 1):
        if not len(open_rows):
            break
        earlier = time_s[open_rows] - back * interval_s[open_rows]
        hit = is_keyed(seed, transmitter[open_rows], busy_load[open_rows], never[open_rows], earlier)
        found[open_rows[hit]] = earlier[hit]
        open_rows = open_rows[~hit]
    return found
