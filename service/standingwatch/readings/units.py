"""Units of one report, scalar in and scalar out.

The reflection arithmetic belongs to `standingwatch.rf.reflection`, which works on arrays. Its one-line
relations are repeated here in plain `math`, because an array call for every number of every message costs
more than decoding the message; a test holds the two equal.
"""

from __future__ import annotations

# 10 MW: no transmitter, and far below where the power of ten would overflow.
MAX_POWER_DBM = 100.0


def watts_from_dbm(power_dbm: float) -> float:
    """Power [W] of a level [dBm], valid below 100 dBm; 30 dBm is 1 W by definition of the unit.

    Raises
    ------
    ValueError
        At 100 dBm and above.
    """
    if power_dbm >= MAX_POWER_DBM:
        raise ValueError(f"is {power_dbm} dBm, which is 10 MW or more; give dBm below {MAX_POWER_DBM:g}")
    return float(10.0 ** ((power_dbm - 30.0) / 10.0))


def reflected_w_from_swr(forward_w: float, swr: float) -> float:
    """Reflected power [W] that goes with a forward power [W] and an SWR of 1 or more.

    Raises
    ------
    ValueError
        For an SWR below 1.
    """
    if swr < 1.0:
        raise ValueError(f"is {swr}, but an SWR is at least 1; leave it out when the meter has no value")
    rho = (swr - 1.0) / (swr + 1.0)
    return forward_w * rho * rho


def reflected_w_from_return_loss(forward_w: float, return_loss_db: float) -> float:
    """Reflected power [W] that goes with a forward power [W] and a return loss of 0 or more [dB].

    Raises
    ------
    ValueError
        For a negative return loss.
    """
    if return_loss_db < 0.0:
        raise ValueError(
            f"is {return_loss_db} dB, below 0: the sign is wrong; a return loss is positive, 20 dB is good"
        )
    return float(forward_w * 10.0 ** (-return_loss_db / 10.0))
