"""What may lie behind a finding, told from how the readings moved. Common practice, no published source.

The confidence is a judgement, not a measured frequency, and never sums to more than 1.
"""

from __future__ import annotations

import math

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause

#: A jump of the SWR from one reading to the next by this factor is a step, not a drift.
STEP_FACTOR = 1.25


def causes_of_high_swr(swr: float, swr_before: float) -> tuple[LikelyCause, ...]:
    """Causes of an SWR over a limit, from the SWR now and the reading before the limit was passed.

    Args:
        swr: the SWR now, 1 or more, infinite for total reflection.
        swr_before: the SWR of the last reading under the limit, NaN if it is not known.
    """
    if not math.isfinite(swr_before):
        return (LikelyCause(Cause.UNKNOWN, 0.5, "no reading under the limit is at hand to compare with"),)
    if swr >= STEP_FACTOR * swr_before:
        jump = f"the SWR went from {swr_before:.2f} to {_swr(swr)} within a few readings"
        if swr >= 3:
            return (
                LikelyCause(Cause.ANTENNA_DAMAGE, 0.6, f"{jump}: a short, an open or a damaged antenna"),
                LikelyCause(Cause.LOOSE_CONNECTION, 0.3, f"{jump}: a connection may have parted"),
            )
        return (
            LikelyCause(Cause.LOOSE_CONNECTION, 0.4, f"{jump}, and is not at a short or an open"),
            LikelyCause(Cause.ANTENNA_DAMAGE, 0.4, f"{jump}: the antenna may be bent or detuned"),
        )
    drift = f"the SWR drifted over the limit ({swr_before:.2f} before, {_swr(swr)} now)"
    return (
        LikelyCause(Cause.CONNECTOR, 0.5, f"{drift}, as with a corroding connector or jumper"),
        LikelyCause(Cause.WATER, 0.3, f"{drift}; water in the antenna or a connector does that too"),
    )


def causes_of_departure(change_rho: float, days: int) -> tuple[LikelyCause, ...]:
    """Causes of a daily level that left its baseline and stayed away.

    Args:
        change_rho: level less baseline, in reflection coefficient.
        days: days in a row for which it has been away.
    """
    words = f"the daily level of rho has been {change_rho:+.3f} from its baseline for {days} days in a row"
    return (
        LikelyCause(Cause.CONNECTOR, 0.5, f"{words}: a slow rise fits a connector or jumper that corrodes"),
        LikelyCause(Cause.WATER, 0.3, f"{words}: water in the antenna or a connector fits too"),
    )


def causes_of_silence(whole_site: bool) -> tuple[LikelyCause, ...]:
    """Causes of reports that stopped, for one transmitter or for all of a site."""
    if whole_site:
        return (LikelyCause(Cause.SITE_LINK, 0.8, "no transmitter of the site reports any more"),)
    return (
        LikelyCause(Cause.UNKNOWN, 0.5, "only this transmitter's reports stopped: its meter, cable or power"),
    )


def _swr(value: float) -> str:
    """An SWR in words."""
    return f"{value:.2f}" if math.isfinite(value) else "total reflection"
