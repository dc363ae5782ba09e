"""What is normal for each reading, by the baseline that held at its time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standingwatch.detect import channels
from standingwatch.detect.history import DAY_US, FULL, NO_BASELINE
from standingwatch.detect.interface import Maintenance, State
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Normal:
    """What is normal at each reading.

    Attributes:
        rho: level of the baseline.
        hour_spread: its hourly spread.
        forward_db: forward power [dBW].
        wet_excess: most rise with rain while it was learned.
        recent: level of rho of the last days.
        kind: kind of the baseline.
    """

    rho: FloatArray
    hour_spread: FloatArray
    forward_db: FloatArray
    wet_excess: FloatArray
    recent: FloatArray
    kind: IntArray


def normal_at(
    state: State,
    owner: IntArray,
    time_us: IntArray,
    channel: IntArray,
    grace_us: int,
    work: Maintenance,
) -> Normal:
    """The baseline that held at the time of each reading, NaN where none did.

    Args:
        state: records of `history.BASELINE_STATE`.
        owner: transmitter per reading.
        time_us: time per reading [Unix microseconds].
        channel: channel number per reading.
        grace_us: how long after its end a day closes [us].
        work: work on record; from its end on a baseline that it renews holds no longer, also where the hour
            of that end has not closed yet.
    """
    now = time_us >= state["effective_us"][owner]
    before = ~now & (time_us < state["opened_us"][owner])
    over = work.renewed(owner, time_us, state["opened_us"])
    if over.any():
        now, before = now & ~over, before & ~over

    def at(name: str) -> FloatArray:
        earlier = np.where(before, state[f"{name}_before"][owner], np.nan) if before.any() else np.nan
        return np.where(now, state[name][owner], earlier)

    rho = at("rho")
    kind = np.where(now, state["kind"][owner], np.where(before, state["kind_before"][owner], NO_BASELINE))
    # What the last closed day taught holds for readings from its close on.
    late = time_us >= (state["last_day"][owner] + 1) * DAY_US + grace_us
    recent = np.where(late, state["recent_rho"][owner], state["recent_rho_before"][owner])
    if channel.any():
        place = channels.place_of(channel, owner, state["channel"])
        cell = (owner, np.maximum(place, 0))
        offset = np.where(late, state["channel_rho"][cell], state["channel_rho_before"][cell])
        rho = rho + np.where((place >= 0) & (kind >= FULL), offset, 0.0)
    return Normal(rho, at("hour_rho_spread"), at("forward_db"), at("wet_excess_normal"), recent, kind)


def suspect_at(state: State, owner: IntArray, time_us: IntArray) -> BoolArray:
    """Whether each reading's meter was suspect at its time.

    Args:
        state: records of `history.BASELINE_STATE`.
        owner: transmitter per reading.
        time_us: time per reading [Unix microseconds].
    """
    since, until = state["suspect_us"][owner], state["trusted_us"][owner]
    suspect: BoolArray = (since > 0) & (time_us >= since) & ((until <= since) | (time_us < until))
    return suspect
