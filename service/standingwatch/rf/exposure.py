"""RF exposure: an estimate of power density in the far field, and the limits that it is held against.

An estimate for planning only. Near an antenna, and where other transmitters of a site radiate, nothing here
replaces a measurement, the site's safety plan or the rules of the country.
"""

from __future__ import annotations

import math

import numpy as np

from standingwatch.rf._shapes import FloatArray, T, elementwise

#: Factors on the power density of free space for what the ground reflects: none; field strength times 1.6, as
#: the OET Bulletin says of the ground's usual reflection; field strength doubled, a full reflection.
FREE_SPACE, USUAL_REFLECTION, FULL_REFLECTION = 1.0, 2.56, 4.0


def eirp_w(power_w: float, loss_db: float, gain_dbi: float) -> float:
    """Return the equivalent isotropically radiated power: power 10^((gain - loss) / 10).

    Parameters
    ----------
    power_w : float
        Power at the transmitter [W], 0 or more.
    loss_db : float
        One-way loss between transmitter and antenna [dB].
    gain_dbi : float
        Gain of the antenna over an isotropic one [dBi].

    Returns
    -------
    float
        EIRP [W]. NaN where a value is not known.
    """
    return power_w * math.pow(10.0, (gain_dbi - loss_db) / 10.0)


def power_density_mw_cm2(eirp_w: T | float, distance_m: T | float, factor: float = FREE_SPACE) -> T:
    """Return the power density in the main beam in the far field: factor EIRP / (4 pi distance^2).

    Parameters
    ----------
    eirp_w : float, array, list or Series
        Equivalent isotropically radiated power [W], 0 or more.
    distance_m : float, array, list or Series
        Distance from the antenna [m], above 0.
    factor : float
        `FREE_SPACE`, `USUAL_REFLECTION` or `FULL_REFLECTION`.

    Returns
    -------
    float, array or Series
        Power density [mW/cm2], an upper estimate out of the far field. NaN where a value is out of range.

    Notes
    -----
    Source: FCC OET Bulletin 65, edition 97-01, section 2 (equations 3 to 7, numbers from memory); figures in
    `fixtures/checkvalues/oet65_farfield.csv`.
    """

    def formula(eirp_w: FloatArray, distance_m: FloatArray) -> FloatArray:
        usable = (eirp_w >= 0.0) & (distance_m > 0.0) & np.isfinite(eirp_w) & np.isfinite(distance_m)
        square_cm2 = np.square(np.where(usable, distance_m, np.nan) * 100.0)
        return factor * np.where(usable, eirp_w, np.nan) * 1000.0 / (4.0 * math.pi * square_cm2)

    return elementwise(formula, eirp_w, distance_m)


def distance_at_limit_m(eirp_w: float, limit_mw_cm2: float, factor: float = FREE_SPACE) -> float:
    """Return the distance at which `power_density_mw_cm2` has fallen to a limit [m]; NaN if not known."""
    if not (eirp_w >= 0.0 and limit_mw_cm2 > 0.0):
        return math.nan
    return math.sqrt(factor * eirp_w * 1000.0 / (4.0 * math.pi * limit_mw_cm2)) / 100.0


def occupational_limit_mw_cm2(frequency_mhz: T) -> T:
    """Return the limit for people at work who know of the exposure, averaged over 6 minutes.

    Parameters
    ----------
    frequency_mhz : float, array, list or Series
        Frequency [MHz], 0.3 to 100,000.

    Returns
    -------
    float, array or Series
        Power density [mW/cm2], of a plane wave. NaN out of range.

    Notes
    -----
    Source: 47 CFR 1.1310, table 1, part (A), occupational/controlled exposure; read at second hand, figures
    from 30 MHz up in `fixtures/checkvalues/fcc_mpe_power_density.csv`, those below from memory.
    """
    return elementwise(lambda f_mhz: _limit(f_mhz, 3.0, 100.0, 900.0, 1.0, 300.0, 5.0), frequency_mhz)


def public_limit_mw_cm2(frequency_mhz: T) -> T:
    """Return the limit for everybody else, averaged over 30 minutes.

    Parameters
    ----------
    frequency_mhz : float, array, list or Series
        Frequency [MHz], 0.3 to 100,000.

    Returns
    -------
    float, array or Series
        Power density [mW/cm2], of a plane wave. NaN out of range.

    Notes
    -----
    Source: 47 CFR 1.1310, table 1, part (B), general population/uncontrolled exposure; as the other limit.
    """
    return elementwise(lambda f_mhz: _limit(f_mhz, 1.34, 100.0, 180.0, 0.2, 1500.0, 1.0), frequency_mhz)


def _limit(
    f_mhz: FloatArray,
    first_to_mhz: float,
    first: float,
    over_square: float,
    flat: float,
    per_mhz: float,
    last: float,
) -> FloatArray:
    """The limit by range: flat, falling with the square, flat to 300 MHz, rising to 1500 MHz, flat."""
    known = np.where((f_mhz >= 0.3) & (f_mhz <= 100_000.0), f_mhz, np.nan)
    rising = np.where(known < 1500.0, known / per_mhz, last)
    falling = np.where(known < first_to_mhz, first, over_square / np.square(known))
    limit = np.where(known < 30.0, falling, np.where(known <= 300.0, flat, rising))
    return np.where(np.isnan(known), np.nan, limit)
