"""Reflection coefficient, SWR, return loss, mismatch loss: one quantity in several dresses.

Symbols
-------
========================  ===========================================  =======  ==============================
name                      quantity                                     unit     passive range
========================  ===========================================  =======  ==============================
`forward_w`               forward power, Pf                            W        above 0
`reflected_w`             reflected power, Pr                          W        0 .. Pf
`rho`                     magnitude of the reflection coefficient,     1        0 .. 1
                          sqrt(Pr / Pf)
`swr`                     standing-wave ratio, (1 + rho) / (1 - rho)   1        1 .. inf
`return_loss_db`          return loss, -20 log10 rho                   dB       inf .. 0
`mismatch_loss_db`        mismatch loss, -10 log10 (1 - rho^2)         dB       0 .. inf
`percent_reflected`       reflected power, 100 rho^2                   %        0 .. 100
========================  ===========================================  =======  ==============================

The relations are those of any textbook on transmission lines, e.g. D. M. Pozar, Microwave Engineering,
section 2.3 (section from memory). Functions come in inverse pairs.

A passive load reflects between nothing and everything. Values outside that are never clipped:
`rho_from_power` lets reflected above forward through as rho above 1, so that `is_passive` can flag it, and
every function of rho here gives NaN for rho above 1, negative or NaN. Total reflection is inside: rho = 1 is
an infinite SWR, 0 dB return loss, an infinite mismatch loss. No reflection is an infinite return loss.

Scalars give floats, arrays and lists give arrays, pandas Series give Series with the index kept.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from standingwatch.rf._shapes import BoolArray, FloatArray, T, elementwise, elementwise_mask

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

#: Decibels in one neper of power: 10 / ln 10.
_DB_PER_POWER_NEPER = 10.0 / math.log(10.0)


def _passive(rho: FloatArray) -> BoolArray:
    # A comparison with NaN is false, so NaN is not passive.
    mask: BoolArray = (rho >= 0.0) & (rho <= 1.0)
    return mask


def _only_passive(rho: FloatArray) -> FloatArray:
    return np.where(_passive(rho), rho, np.nan)


@overload
def is_passive(rho: float) -> bool: ...
@overload
def is_passive(rho: pd.Series[float]) -> pd.Series[bool]: ...
@overload
def is_passive(rho: npt.ArrayLike) -> BoolArray: ...
def is_passive(rho: Any) -> Any:
    """Tell whether a reflection coefficient is physically possible for a passive antenna.

    Parameters
    ----------
    rho : float, array, list or Series
        Magnitude of the reflection coefficient [1].

    Returns
    -------
    bool, array or Series of bool
        True where rho is finite and 0 <= rho <= 1. False means that the reading, or the feeder loss it was
        carried through, is wrong.
    """
    return elementwise_mask(_passive, rho)


def rho_from_power(forward_w: T | float, reflected_w: T | float) -> T:
    """Return the reflection coefficient from forward and reflected power: sqrt(reflected / forward).

    Parameters
    ----------
    forward_w : float, array, list or Series
        Forward power [W], above 0 and finite.
    reflected_w : float, array, list or Series
        Reflected power [W], 0 or more and finite.

    Returns
    -------
    float, array or Series
        rho [1], 0 or more. Above 1 where reflected exceeds forward, as it is. NaN where forward is not above
        0 (nothing is transmitted: there is no reflection coefficient), where reflected is negative, or either
        is not finite.
    """
    return elementwise(_rho_from_power, forward_w, reflected_w)


def _rho_from_power(forward_w: FloatArray, reflected_w: FloatArray) -> FloatArray:
    usable = (forward_w > 0.0) & np.isfinite(forward_w) & (reflected_w >= 0.0) & np.isfinite(reflected_w)
    # The quotient of a huge and a tiny power overflows to infinity, which is_passive flags.
    with np.errstate(over="ignore"):
        return np.sqrt(np.where(usable, reflected_w, np.nan) / np.where(usable, forward_w, 1.0))


def reflected_from_rho(forward_w: T | float, rho: T | float) -> T:
    """Return the reflected power of a forward power: forward rho^2. Inverse of `rho_from_power`.

    Parameters
    ----------
    forward_w : float, array, list or Series
        Forward power [W], 0 or more and finite.
    rho : float, array, list or Series
        Magnitude of the reflection coefficient [1], 0..1.

    Returns
    -------
    float, array or Series
        Reflected power [W]; NaN where either is out of range.
    """
    return elementwise(_reflected_from_rho, forward_w, rho)


def _reflected_from_rho(forward_w: FloatArray, rho: FloatArray) -> FloatArray:
    usable = (forward_w >= 0.0) & np.isfinite(forward_w)
    return np.where(usable, forward_w, np.nan) * np.square(_only_passive(rho))


def swr_from_rho(rho: T) -> T:
    """Return the standing-wave ratio: (1 + rho) / (1 - rho).

    Parameters
    ----------
    rho : float, array, list or Series
        Magnitude of the reflection coefficient [1], 0..1.

    Returns
    -------
    float, array or Series
        SWR [1], 1..inf: infinite at rho = 1. NaN where rho is out of range, never negative.
    """
    return elementwise(_swr_from_rho, rho)


def _swr_from_rho(rho: FloatArray) -> FloatArray:
    rho = _only_passive(rho)
    with np.errstate(divide="ignore"):
        return (1.0 + rho) / (1.0 - rho)


def rho_from_swr(swr: T) -> T:
    """Return the reflection coefficient of a standing-wave ratio: (swr - 1) / (swr + 1).

    Parameters
    ----------
    swr : float, array, list or Series
        SWR [1], 1..inf.

    Returns
    -------
    float, array or Series
        rho [1], 0..1: 1 for an infinite SWR. NaN where the SWR is below 1 or NaN.
    """
    return elementwise(_rho_from_swr, swr)


def _rho_from_swr(swr: FloatArray) -> FloatArray:
    infinite = np.isposinf(swr)
    finite = np.where((swr >= 1.0) & ~infinite, swr, np.nan)
    return np.where(infinite, 1.0, (finite - 1.0) / (finite + 1.0))


def return_loss_db_from_rho(rho: T) -> T:
    """Return the return loss: -20 log10 rho.

    Parameters
    ----------
    rho : float, array, list or Series
        Magnitude of the reflection coefficient [1], 0..1.

    Returns
    -------
    float, array or Series
        Return loss [dB], 0 or more: 0 at rho = 1, infinite at rho = 0. NaN where rho is out of range.
    """
    return elementwise(_return_loss_db_from_rho, rho)


def _return_loss_db_from_rho(rho: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        # Taken from 0.0, so that total reflection shows as 0.0 and not as -0.0.
        return 0.0 - 20.0 * np.log10(_only_passive(rho))


def rho_from_return_loss_db(return_loss_db: T) -> T:
    """Return the reflection coefficient of a return loss: 10^(-return_loss / 20).

    Parameters
    ----------
    return_loss_db : float, array, list or Series
        Return loss [dB], 0..inf, counted positive.

    Returns
    -------
    float, array or Series
        rho [1], 0..1: 0 for an infinite return loss. NaN where the return loss is negative (that would be a
        gain) or NaN.
    """
    return elementwise(_rho_from_return_loss_db, return_loss_db)


def _rho_from_return_loss_db(return_loss_db: FloatArray) -> FloatArray:
    return np.power(10.0, np.where(return_loss_db >= 0.0, return_loss_db, np.nan) / -20.0)


def mismatch_loss_db_from_rho(rho: T) -> T:
    """Return the mismatch loss: -10 log10 (1 - rho^2), what reflection alone takes from the power delivered.

    Parameters
    ----------
    rho : float, array, list or Series
        Magnitude of the reflection coefficient [1], 0..1.

    Returns
    -------
    float, array or Series
        Mismatch loss [dB], 0 or more: infinite at rho = 1. NaN where rho is out of range.
    """
    return elementwise(_mismatch_loss_db_from_rho, rho)


def _mismatch_loss_db_from_rho(rho: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        # log1p keeps the digits of a good match, where 1 - rho^2 is all but 1.
        return -_DB_PER_POWER_NEPER * np.log1p(-np.square(_only_passive(rho)))


def rho_from_mismatch_loss_db(mismatch_loss_db: T) -> T:
    """Return the reflection coefficient of a mismatch loss: sqrt(1 - 10^(-mismatch_loss / 10)).

    Parameters
    ----------
    mismatch_loss_db : float, array, list or Series
        Mismatch loss [dB], 0..inf.

    Returns
    -------
    float, array or Series
        rho [1], 0..1: 1 for an infinite mismatch loss. NaN where the mismatch loss is negative or NaN.
    """
    return elementwise(_rho_from_mismatch_loss_db, mismatch_loss_db)


def _rho_from_mismatch_loss_db(mismatch_loss_db: FloatArray) -> FloatArray:
    usable = np.where(mismatch_loss_db >= 0.0, mismatch_loss_db, np.nan)
    return np.sqrt(0.0 - np.expm1(-usable / _DB_PER_POWER_NEPER))


def percent_reflected_from_rho(rho: T) -> T:
    """Return the share of the power that comes back: 100 rho^2.

    Parameters
    ----------
    rho : float, array, list or Series
        Magnitude of the reflection coefficient [1], 0..1.

    Returns
    -------
    float, array or Series
        Reflected power [%], 0..100. NaN where rho is out of range.
    """
    return elementwise(_percent_reflected_from_rho, rho)


def _percent_reflected_from_rho(rho: FloatArray) -> FloatArray:
    return 100.0 * np.square(_only_passive(rho))


def rho_from_percent_reflected(percent_reflected: T) -> T:
    """Return the reflection coefficient of a share of reflected power: sqrt(percent / 100).

    Parameters
    ----------
    percent_reflected : float, array, list or Series
        Reflected power [%], 0..100.

    Returns
    -------
    float, array or Series
        rho [1], 0..1. NaN where the share is out of range or NaN.
    """
    return elementwise(_rho_from_percent_reflected, percent_reflected)


def _rho_from_percent_reflected(percent_reflected: FloatArray) -> FloatArray:
    usable = (percent_reflected >= 0.0) & (percent_reflected <= 100.0)
    return np.sqrt(np.where(usable, percent_reflected, np.nan) / 100.0)
