"""Powers that can hardly be in watts: far from the rated power, or the number of it in another unit.

A unit that was set wrong at a device makes every judgement of it wrong, and mostly without an error: mW or
dBm are numbers as good as W. What is told is a question to people, and nothing else depends on it.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np

from standingwatch.readings.flags import MOST_SHARE_OF_RATED
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: Forward power over rated power from which mW is the likely unit: a tenth of its power or more.
_MW_SHARE = 100.0
#: The same for kW: up to three times less or more than rated.
_KW_SHARES = (1 / 3000, 1 / 300)
#: How near the number has to be to that of the rated power in dBm [dB]; and how far from it in W, as a
#: factor, for the two to be told apart.
_DBM_NEAR_DB, _APART = 1.5, 1.5
#: Reflected over forward power where both are in dBm and taken for W: 50 dBm with 25 dB return loss give 0.5.
#: Below this share, that of SWR 3, power is just set low.
_DBM_REFLECTED_SHARE = 0.25
#: A line whose baseline is better than this was read in the right unit: SWR 3.
_RHO_OF_A_MATCH = 0.5


class UnitDoubt(IntEnum):
    """What a reading makes one ask."""

    NONE = 0
    FAR_ABOVE = 1
    MILLIWATT = 2
    KILOWATT = 3
    DBM = 4


_QUESTION = {
    UnitDoubt.FAR_ABOVE: "is rated_power_w on the site list right, and the unit or scale of the reports?",
    UnitDoubt.MILLIWATT: "is it in mW?",
    UnitDoubt.KILOWATT: "is it in kW?",
    UnitDoubt.DBM: "is it in dBm?",
}


def unit_doubts(
    rated_w: FloatArray,
    forward_w: FloatArray,
    reflected_w: FloatArray,
    is_keyed: BoolArray,
    baseline_rho: FloatArray,
) -> IntArray:
    """What one reading of each transmitter makes one ask, a `UnitDoubt` each.

    Parameters
    ----------
    rated_w
        Rated forward power [W], NaN where not known: then nothing is asked. Shape (n,).
    forward_w, reflected_w
        Powers as reported [W], NaN for none. Shape (n,).
    is_keyed
        Whether it counts as keyed: the idle of a transmitter is no power in kW. Shape (n,).
    baseline_rho
        What is usual on its line [1], NaN where that is not known. Shape (n,).

    Notes
    -----
    dBm taken for W, near the rated power, looks like a transmitter folded back on an open line. What was
    read with a good match before has its unit right, so that it is asked only where nothing better was
    learned. One that is run at a part of its power with a usual match is never asked about, nor dBm of
    forward power alone beside a return loss: its SWR is right, and half of rated power is a usual setting.
    """
    found = np.full(len(rated_w), int(UnitDoubt.NONE), dtype=np.int64)
    known = (rated_w > 0) & (forward_w > 0)
    share = np.divide(forward_w, rated_w, out=np.full(len(rated_w), np.nan), where=known)
    far = share > MOST_SHARE_OF_RATED
    found[far] = UnitDoubt.FAR_ABOVE
    found[share >= _MW_SHARE] = UnitDoubt.MILLIWATT
    found[is_keyed & (share >= _KW_SHARES[0]) & (share <= _KW_SHARES[1])] = UnitDoubt.KILOWATT
    rated_dbm = 30.0 + 10.0 * np.log10(rated_w, out=np.full(len(rated_w), np.nan), where=known)
    apart = (share > _APART) | (share < 1 / _APART)
    near = np.abs(forward_w - rated_dbm) <= _DBM_NEAR_DB
    poor = (reflected_w >= _DBM_REFLECTED_SHARE * forward_w) & ~(baseline_rho < _RHO_OF_A_MATCH)
    found[near & apart & (far | poor)] = UnitDoubt.DBM
    return found


def doubt_sentence(doubt: int, forward_w: float, rated_w: float) -> str:
    """What is asked, and what to do, in words.

    Args:
        doubt: a `UnitDoubt` other than NONE.
        forward_w, rated_w: of the reading and of the site list [W].
    """
    forward, question = f"{float(f'{forward_w:.4g}'):,g}", _QUESTION[UnitDoubt(doubt)]
    return (
        f"forward power {forward} W, where {rated_w:.4g} W are rated: {question} "
        "Correct it where it is set: in the publisher's settings, the payload profile, or the site list"
    )
