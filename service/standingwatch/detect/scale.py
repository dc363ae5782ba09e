"""How large a change has to be, at either end of the feeder and against the meter's step."""

from __future__ import annotations

import numpy as np

from standingwatch.detect.interface import State
from standingwatch.readings.fleet import Fleet, FloatArray

#: What rho grows by to the antenna's end of a feeder whose loss is not known, where some has to be assumed:
#: 1.5 dB (common practice, no source).
ASSUMED = 10.0 ** (1.5 / 10.0)

#: The least part of a change at the antenna that slow changes are followed by: behind 5 dB (common practice,
#: no source). A fault may as well sit at the near end, and no meter is that good.
LEAST_SHOWN = 0.3

#: The same for what has left all that is known of the line at once, and is told from noise by that: 10 dB
#: (common practice, no source).
LEAST_SHOWN_AT_ONCE = 0.1


def attenuation(fleet: Fleet, *, unknown: float = 1.0, least: float = LEAST_SHOWN) -> FloatArray:
    """Of a change of rho at the antenna, the part seen at the transmitter, per transmitter.

    Args:
        fleet: the transmitters.
        unknown: that part where the feeder's loss is not known.
        least: it is never taken below that where the loss is known.
    """
    through = np.maximum(10.0 ** (-known_loss_db(fleet) / 10.0), least)
    return np.where(np.isfinite(fleet.feeder_loss_db), through, unknown)


def known_loss_db(fleet: Fleet) -> FloatArray:
    """Loss of each feeder [dB], 0 where it is not known."""
    return np.where(np.isfinite(fleet.feeder_loss_db), fleet.feeder_loss_db, 0.0)


def one_step_rho(state: State, share: float, sign: float = 1.0) -> FloatArray:
    """What a share of one step of the meter is worth in rho, at each one's power and baseline.

    Args:
        state: records of `history.BASELINE_STATE`.
        share: part of a step.
        sign: 1 for a step up, -1 for a step down, which is worth more, and infinite where the baseline is
            less than that: nothing below it can be told from it.
    """
    forward_w = np.fmax(state["forward_w"], 1e-3)
    step_w = np.where(np.isfinite(state["step_w"]), state["step_w"], 0.0)
    rho = np.where(np.isfinite(state["rho"]), state["rho"], 0.0)
    moved = rho**2 + sign * share * step_w / forward_w
    worth: FloatArray = np.where(moved >= 0.0, np.abs(np.sqrt(np.maximum(moved, 0.0)) - rho), np.inf)
    return worth


def counts_rho(state: State, counts: float) -> FloatArray:
    """What so many steps of the meter are worth in rho, at each one's power; 1 at most.

    Args:
        state: records of `history.BASELINE_STATE`.
        counts: steps, or a part of one.
    """
    step_w = np.where(np.isfinite(state["step_w"]), state["step_w"], 0.0)
    worth: FloatArray = np.sqrt(counts * step_w / np.fmax(state["forward_w"], 1e-3))
    return np.fmin(worth, 1.0)
