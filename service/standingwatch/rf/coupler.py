"""What a coupler's reading is worth: bounds of the true reflection coefficient.

Two limits of any forward and reflected power reading, each given as a band that the true value lies in. Judge
a change against the band, not against the reading.
"""

from __future__ import annotations

import numpy as np

from standingwatch.rf._shapes import FloatArray, T, elementwise, elementwise_pair
from standingwatch.rf.reflection import _rho_from_power


def rho_bounds(rho: T | float, directivity_db: T | float) -> tuple[T, T]:
    """Return the band of the true reflection coefficient behind a coupler of finite directivity.

    The reflected port also sees a leak of the forward wave, 10^(-directivity / 20) of it, in unknown phase:
    by the triangle inequality the true value lies within that of the measured one. The directivity is the
    least there is, so a smaller leak is allowed for, and the band reaches 0 where the leak can account for
    all of the reading. This counts the leak into the reflected port only. Where the forward port leaks as
    badly the band is wider by about rho (rho + leak) leak.

    Parameters
    ----------
    rho : float, array, list or Series
        Measured magnitude of the reflection coefficient [1], 0 or more. Above 1 is taken as it is.
    directivity_db : float, array, list or Series
        At least this directivity [dB], 0..inf. NaN means unknown.

    Returns
    -------
    (low, high) : two of float, array or Series
        Bounds of the true rho [1]. The lower is never below 0, the upper is not cut at 1. NaN, both, where
        rho is negative or not finite, or the directivity is negative or unknown: without it nothing is
        bounded.

    Notes
    -----
    Source: textbook triangle inequality on the sum of the two waves.
    """
    return elementwise_pair(_rho_bounds, rho, directivity_db)


def _rho_bounds(rho: FloatArray, directivity_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    measured = np.where((rho >= 0.0) & np.isfinite(rho), rho, np.nan)
    leak = np.power(10.0, np.where(directivity_db >= 0.0, directivity_db, np.nan) / -20.0)
    # np.maximum keeps NaN.
    return np.maximum(measured - leak, 0.0), measured + leak


def power_step_bounds(
    forward_w: T | float, reflected_w: T | float, forward_step_w: T | float, reflected_step_w: T | float
) -> tuple[T, T]:
    """Return the band of the reflection coefficient that the meters' resolution leaves open.

    A meter that shows steps of 1 W and reads 3 W stands for 2.5 to 3.5 W. Half a step each side, on both
    meters.

    Parameters
    ----------
    forward_w, reflected_w : float, array, list or Series
        Power as read [W]; forward above 0, reflected 0 or more.
    forward_step_w, reflected_step_w : float, array, list or Series
        Resolution of each meter [W], 0 or more; 0 is an exact meter.

    Returns
    -------
    (rho_low, rho_high) : two of float, array or Series
        Bounds of rho [1]. The reflected power is never taken below 0; the upper bound is not cut at 1, and is
        infinite where the forward power may be nothing at all. NaN, both, where a value is out of range.

    Notes
    -----
    Source: rounding to the nearest step; other errors of the meters are not in it.
    """
    return elementwise_pair(_power_step_bounds, forward_w, reflected_w, forward_step_w, reflected_step_w)


def power_step_least(
    forward_w: T | float, reflected_w: T | float, forward_step_w: T | float, reflected_step_w: T | float
) -> T:
    """Return the lower bound that `power_step_bounds` gives, alone, for the same values."""
    return elementwise(_power_step_least, forward_w, reflected_w, forward_step_w, reflected_step_w)


def _power_step_least(
    forward_w: FloatArray, reflected_w: FloatArray, forward_step_w: FloatArray, reflected_step_w: FloatArray
) -> FloatArray:
    forward_w, reflected_w = _in_range(forward_w, reflected_w, forward_step_w, reflected_step_w)
    with np.errstate(over="ignore"):
        most_forward_w = forward_w + forward_step_w / 2.0
        least_reflected_w = np.maximum(reflected_w - reflected_step_w / 2.0, 0.0)
    return _rho_from_power(most_forward_w, least_reflected_w)


def _power_step_bounds(
    forward_w: FloatArray, reflected_w: FloatArray, forward_step_w: FloatArray, reflected_step_w: FloatArray
) -> tuple[FloatArray, FloatArray]:
    low = _power_step_least(forward_w, reflected_w, forward_step_w, reflected_step_w)
    forward_w, reflected_w = _in_range(forward_w, reflected_w, forward_step_w, reflected_step_w)
    with np.errstate(over="ignore"):
        least_forward_w = forward_w - forward_step_w / 2.0
        most_reflected_w = reflected_w + reflected_step_w / 2.0
    high = _rho_from_power(least_forward_w, most_reflected_w)
    # With no forward power for certain, any reflected power at all may be all of it.
    high = np.where(least_forward_w <= 0.0, np.where(most_reflected_w > 0.0, np.inf, 0.0), high)
    return low, high


def _in_range(
    forward_w: FloatArray, reflected_w: FloatArray, *steps_w: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The powers, NaN, both, where one of them or of the steps is out of range."""
    usable = np.isfinite(_rho_from_power(forward_w, reflected_w))
    for step_w in steps_w:
        usable = usable & (step_w >= 0.0) & np.isfinite(step_w)
    return np.where(usable, forward_w, np.nan), np.where(usable, reflected_w, np.nan)
