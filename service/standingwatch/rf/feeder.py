"""The feeder between transmitter and antenna: its loss, what it hides, what it stands.

Attenuation follows the two-term law of coaxial cable, skin effect and dielectric:

    attenuation [dB/100 m] = k1 sqrt(f [MHz]) + k2 f [MHz]

A wave reflected at the antenna pays the feeder's loss twice before a coupler at the transmitter sees it, so a
lossy feeder makes a bad antenna look good. `rho_at_antenna` and `rho_at_transmitter` carry a reading from one
end to the other and are each other's inverse; `swr_ceiling` says what the worst fault can show.

What the attenuation figures are, and are not, stands in `FeederType` and its table.
"""

from __future__ import annotations

import numpy as np

from standingwatch.rf._feeder_types import (
    FEEDER_TYPES,
    FeederType,
    UnknownFeederTypeError,
    find_feeder_type,
)
from standingwatch.rf._shapes import FloatArray, T, elementwise
from standingwatch.rf.reflection import _mismatch_loss_db_from_rho, _only_passive, _swr_from_rho

__all__ = [
    "FEEDER_TYPES",
    "FeederType",
    "UnknownFeederTypeError",
    "additional_loss_db",
    "crest_current_a",
    "crest_ratio",
    "crest_voltage_v",
    "find_feeder_type",
    "matched_loss_db",
    "rho_at_antenna",
    "rho_at_transmitter",
    "swr_ceiling",
    "total_loss_db",
]


def matched_loss_db(feeder_type: FeederType, length_m: T | float, frequency_mhz: T | float) -> T:
    """Return the one-way loss of a matched feeder.

    Parameters
    ----------
    feeder_type : FeederType
        Kind of feeder.
    length_m : float, array, list or Series
        Length [m], 0 or more and finite.
    frequency_mhz : float, array, list or Series
        Frequency [MHz], above 0 to the type's `max_frequency_mhz`.

    Returns
    -------
    float, array or Series
        Loss [dB], without connectors and jumpers. NaN where a value is out of range.

    Notes
    -----
    Source: two-term attenuation law, textbook; coefficients see `FeederType.source`. Below about 1 MHz the
    law no longer holds.
    """

    def formula(length_m: FloatArray, frequency_mhz: FloatArray) -> FloatArray:
        known = (frequency_mhz > 0.0) & (frequency_mhz <= feeder_type.max_frequency_mhz)
        f_mhz = np.where(known, frequency_mhz, np.nan)
        db_per_100m = feeder_type.k1 * np.sqrt(f_mhz) + feeder_type.k2 * f_mhz
        with np.errstate(over="ignore"):
            return _finite_from_zero(length_m) / 100.0 * db_per_100m

    return elementwise(formula, length_m, frequency_mhz)


def rho_at_antenna(rho_tx: T | float, loss_db: T | float) -> T:
    """Carry a reflection coefficient from the transmitter to the antenna: rho 10^(loss / 10).

    Parameters
    ----------
    rho_tx : float, array, list or Series
        rho at the transmitter [1], 0 or more and finite.
    loss_db : float, array, list or Series
        One-way matched loss of the feeder [dB], 0 or more and finite.

    Returns
    -------
    float, array or Series
        rho at the antenna [1], as it comes out. Above 1 is impossible: the loss figure or the reading is
        wrong, and `is_passive` tells. NaN where a value is out of range.
    """
    return elementwise(_rho_at_antenna, rho_tx, loss_db)


def _rho_at_antenna(rho_tx: FloatArray, loss_db: FloatArray) -> FloatArray:
    with np.errstate(over="ignore", invalid="ignore"):
        # An absurd loss overflows to infinity (0 x infinity to NaN): impossible either way.
        return _finite_from_zero(rho_tx) * np.power(10.0, _finite_from_zero(loss_db) / 10.0)


def rho_at_transmitter(rho_antenna: T | float, loss_db: T | float) -> T:
    """Carry a reflection coefficient from the antenna to the transmitter: rho 10^(-loss / 10).

    Parameters
    ----------
    rho_antenna : float, array, list or Series
        rho at the antenna [1], 0 or more and finite.
    loss_db : float, array, list or Series
        One-way matched loss of the feeder [dB], 0 or more and finite.

    Returns
    -------
    float, array or Series
        rho at the transmitter [1]. NaN where a value is out of range.
    """
    return elementwise(_rho_at_transmitter, rho_antenna, loss_db)


def _rho_at_transmitter(rho_antenna: FloatArray, loss_db: FloatArray) -> FloatArray:
    return _finite_from_zero(rho_antenna) * np.power(10.0, _finite_from_zero(loss_db) / -10.0)


def total_loss_db(rho_antenna: T | float, loss_db: T | float) -> T:
    """Return the estimated loss of a feeder that ends in a mismatch: matched loss and additional loss.

    Parameters
    ----------
    rho_antenna : float, array, list or Series
        rho at the antenna [1], 0..1.
    loss_db : float, array, list or Series
        One-way matched loss [dB], 0 or more and finite.

    Returns
    -------
    float, array or Series
        Total loss [dB], of the power that goes into the feeder: infinite at rho = 1, where nothing is
        radiated, but NaN for rho = 1 on a feeder without loss, where nothing goes in either. NaN where a
        value is out of range.

    Notes
    -----
    10 log10((a^2 - rho^2) / (a (1 - rho^2))), a = 10^(loss / 10). Source: ARRL Antenna Book, chapter on
    transmission lines (equation number not checked). An estimate: exact for long lines only, or where the
    characteristic impedance is purely real. On a short real line, whose loss sits mostly in the conductors,
    it depends on where the crests of the current fall.
    """
    return elementwise(_total_loss_db, rho_antenna, loss_db)


def _total_loss_db(rho_antenna: FloatArray, loss_db: FloatArray) -> FloatArray:
    return _finite_from_zero(loss_db) + _additional_loss_db(rho_antenna, loss_db)


def additional_loss_db(rho_antenna: T | float, loss_db: T | float) -> T:
    """Return the part of `total_loss_db` that the mismatch adds to the matched loss.

    The same formula in another form: the mismatch loss at the antenna less that seen at the transmitter.

    Parameters
    ----------
    rho_antenna : float, array, list or Series
        rho at the antenna [1], 0..1.
    loss_db : float, array, list or Series
        One-way matched loss [dB], 0 or more and finite.

    Returns
    -------
    float, array or Series
        Additional loss [dB], 0 or more, an estimate like the total. Edges as `total_loss_db`.
    """
    return elementwise(_additional_loss_db, rho_antenna, loss_db)


def _additional_loss_db(rho_antenna: FloatArray, loss_db: FloatArray) -> FloatArray:
    at_antenna_db = _mismatch_loss_db_from_rho(rho_antenna)
    at_transmitter_db = _mismatch_loss_db_from_rho(_rho_at_transmitter(rho_antenna, loss_db))
    with np.errstate(invalid="ignore"):
        # Infinity less infinity, an open or short on a feeder without loss, is NaN as documented.
        return at_antenna_db - at_transmitter_db


def swr_ceiling(loss_db: T) -> T:
    """Return the highest SWR that the transmitter can see: with an open or a short at the antenna.

    Parameters
    ----------
    loss_db : float, array, list or Series
        One-way matched loss of the feeder [dB], 0 or more and finite.

    Returns
    -------
    float, array or Series
        SWR at the transmitter [1]: infinite without loss. A limit above it can never be reached. NaN where
        the loss is out of range.
    """
    return elementwise(_swr_ceiling, loss_db)


def _swr_ceiling(loss_db: FloatArray) -> FloatArray:
    return _swr_from_rho(_rho_at_transmitter(np.ones_like(loss_db), loss_db))


def crest_ratio(rho: T) -> T:
    """Return the crest of the standing wave over the forward wave alone: 1 + rho.

    Parameters
    ----------
    rho : float, array, list or Series
        rho at that place of the feeder [1], 0..1.

    Returns
    -------
    float, array or Series
        Ratio [1], 1..2, of voltage and of current alike. NaN where rho is out of range.
    """
    return elementwise(_crest_ratio, rho)


def _crest_ratio(rho: FloatArray) -> FloatArray:
    return 1.0 + _only_passive(rho)


def crest_voltage_v(forward_w: T | float, rho: T | float, impedance_ohm: T | float = 50.0) -> T:
    """Return the peak voltage at the crest of the standing wave: sqrt(2 forward impedance) (1 + rho).

    Parameters
    ----------
    forward_w : float, array, list or Series
        Forward power, the power of the forward wave, not the net power [W], 0 or more and finite.
    rho : float, array, list or Series
        rho at that place of the feeder [1], 0..1.
    impedance_ohm : float, array, list or Series
        Characteristic impedance [ohm], above 0 and finite.

    Returns
    -------
    float, array or Series
        Peak voltage [V] of an unmodulated carrier. NaN where a value is out of range.

    Notes
    -----
    Source: textbook superposition of forward and reflected wave. For rms divide by sqrt(2).
    """
    return elementwise(_crest_voltage_v, forward_w, rho, impedance_ohm)


def _crest_voltage_v(forward_w: FloatArray, rho: FloatArray, impedance_ohm: FloatArray) -> FloatArray:
    usable_ohm = np.where(impedance_ohm > 0.0, _finite_from_zero(impedance_ohm), np.nan)
    with np.errstate(over="ignore"):
        return np.sqrt(2.0 * _finite_from_zero(forward_w) * usable_ohm) * _crest_ratio(rho)


def crest_current_a(forward_w: T | float, rho: T | float, impedance_ohm: T | float = 50.0) -> T:
    """Return the peak current at the crest of the standing wave: sqrt(2 forward / impedance) (1 + rho).

    Parameters
    ----------
    forward_w : float, array, list or Series
        Forward power, the power of the forward wave, not the net power [W], 0 or more and finite.
    rho : float, array, list or Series
        rho at that place of the feeder [1], 0..1.
    impedance_ohm : float, array, list or Series
        Characteristic impedance [ohm], above 0 and finite.

    Returns
    -------
    float, array or Series
        Peak current [A] of an unmodulated carrier, a quarter wave away from the crest of the voltage. NaN
        where a value is out of range.
    """
    return elementwise(_crest_current_a, forward_w, rho, impedance_ohm)


def _crest_current_a(forward_w: FloatArray, rho: FloatArray, impedance_ohm: FloatArray) -> FloatArray:
    # The voltage is NaN already where the impedance is out of range.
    with np.errstate(over="ignore"):
        return _crest_voltage_v(forward_w, rho, impedance_ohm) / impedance_ohm


def _finite_from_zero(values: FloatArray) -> FloatArray:
    return np.where((values >= 0.0) & np.isfinite(values), values, np.nan)
