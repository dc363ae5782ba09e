"""What is normal for each reading, by the baseline that held at its time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

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

    # Looked up in columns of their own: a record is so long that its neighbours would fill the cache.
    def of(name: str) -> npt.NDArray[Any]:
        found: npt.NDArray[Any] = np.ascontiguousarray(state[name])[owner]
        return found

    now = time_us >= of("effective_us")
    before = ~now & (time_us < of("opened_us"))
    over = work.renewed(owner, time_us, state["opened_us"])
    if over.any():
        now, before = now & ~over, before & ~over
    all_now, some_before = bool(now.all()), bool(before.any())

    def at(name: str) -> npt.NDArray[Any]:
        if all_now:
            return of(name)
        earlier = np.where(before, of(f"{name}_before"), np.nan) if some_before else np.nan
        return np.where(now, of(name), earlier)

    rho = at("rho")
    kind = of("kind")
    if not all_now:
        kind = np.where(now, kind, np.where(before, of("kind_before"), NO_BASELINE))
    # What the last closed day taught holds for readings from its close on.
    late = time_us >= (of("last_day") + 1) * DAY_US + grace_us
    recent = of("recent_rho") if late.all() else np.where(late, of("recent_rho"), of("recent_rho_before"))
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
    if not (state["suspect_us"] > 0).any():
        return np.zeros(len(owner), dtype=np.bool_)
    since, until = state["suspect_us"][owner], state["trusted_us"][owner]
    suspect: BoolArray = (since > 0) & (time_us >= since) & ((until <= since) | (time_us < until))
    return suspect
