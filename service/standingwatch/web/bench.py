"""The worksheet of the bench: what two power readings and a feeder say, all by the functions of `rf`."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from standingwatch.rf import (
    AMPLIFIER_MODELS,
    FoldbackCurve,
    additional_loss_db,
    crest_current_a,
    crest_ratio,
    crest_voltage_v,
    find_feeder_type,
    is_passive,
    matched_loss_db,
    mismatch_loss_db_from_rho,
    percent_reflected_from_rho,
    power_step_bounds,
    return_loss_db_from_rho,
    rho_at_antenna,
    rho_bounds,
    rho_from_power,
    rho_from_swr,
    swr_ceiling,
    swr_from_rho,
    total_loss_db,
)

#: SWR at the amplifier that the what-if of its protection is worked out at.
WHAT_IF_SWR = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0, math.inf)


@dataclass(frozen=True)
class BenchGiven:
    """What is known at the bench. NaN: not given.

    Attributes:
        forward_w, reflected_w: as the meter reads them [W].
        loss_db: one-way matched loss of the feeder [dB]; wins over type, length and frequency.
        feeder_type: kind of feeder, "" for none.
        length_m: its length [m].
        frequency_mhz: carrier frequency [MHz].
        directivity_db: of the coupler, at least [dB].
        forward_step_w, reflected_step_w: steps that the meters show [W].
        impedance_ohm: characteristic impedance of the feeder [ohm].
        curve: how the amplifier's protection takes the power back; None for no what-if.
    """

    forward_w: float
    reflected_w: float
    loss_db: float = math.nan
    feeder_type: str = ""
    length_m: float = math.nan
    frequency_mhz: float = math.nan
    directivity_db: float = math.nan
    forward_step_w: float = 0.0
    reflected_step_w: float = 0.0
    impedance_ohm: float = 50.0
    curve: FoldbackCurve | None = None


@dataclass(frozen=True)
class Match:
    """One reflection coefficient in all its dresses; NaN: cannot be said.

    Attributes:
        rho: magnitude of the reflection coefficient [1]; as it came out, above 1 too.
        swr: standing-wave ratio [1].
        return_loss_db: [dB].
        mismatch_loss_db: [dB].
        percent_reflected: reflected power [%].
    """

    rho: float
    swr: float
    return_loss_db: float
    mismatch_loss_db: float
    percent_reflected: float

    @property
    def is_possible(self) -> bool:
        """Whether a passive load can do that."""
        return is_passive(self.rho)


def match_of(rho: float) -> Match:
    """A reflection coefficient in all its dresses."""
    return Match(
        rho,
        swr_from_rho(rho),
        return_loss_db_from_rho(rho),
        mismatch_loss_db_from_rho(rho),
        percent_reflected_from_rho(rho),
    )


@dataclass(frozen=True)
class End:
    """One end of the feeder.

    Attributes:
        read: from the powers as they were read.
        least, most: the best and the worst match that meter and coupler leave open; no worse than total
            reflection. None without a directivity, where nothing is bounded.
        forward_w: power of the forward wave there [W].
        crest_ratio: crest of the standing wave over the forward wave, of voltage and current alike [1].
        crest_voltage_v, crest_current_a: peak values at the crests [V], [A].
    """

    read: Match
    least: Match | None
    most: Match | None
    forward_w: float
    crest_ratio: float
    crest_voltage_v: float
    crest_current_a: float


@dataclass(frozen=True)
class WhatIf:
    """What the protection leaves of the set power at an SWR at the amplifier.

    Attributes:
        swr: SWR at the amplifier [1].
        power_fraction: share of the set power [1].
        forward_w: forward power, with the forward power that was read as the set power [W].
        radiated_w: what of it the antenna takes [W]; NaN where the feeder's loss is not known, or where no
            antenna can show such an SWR behind it.
    """

    swr: float
    power_fraction: float
    forward_w: float
    radiated_w: float


@dataclass(frozen=True)
class Worksheet:
    """All that comes of it. NaN: cannot be said.

    Attributes:
        loss_db: the feeder's one-way matched loss that was used [dB].
        transmitter, antenna: both ends; `antenna` None where the loss is not known.
        net_w: power that goes into the feeder [W].
        total_loss_db, additional_loss_db: loss of the mismatched feeder, and what of it the mismatch adds
            [dB].
        radiated_w: what the antenna takes [W].
        ceiling_swr: the highest SWR that the transmitter can see behind the feeder [1].
        what_if: what the protection leaves at some SWR; empty without one.
        present_fraction: what it leaves at the SWR that was read [1].
    """

    loss_db: float
    transmitter: End
    antenna: End | None
    net_w: float
    total_loss_db: float
    additional_loss_db: float
    radiated_w: float
    ceiling_swr: float
    what_if: tuple[WhatIf, ...] = ()
    present_fraction: float = math.nan


def feeder_loss_of(given: BenchGiven) -> float:
    """The one-way matched loss [dB]: as given, else of type, length and frequency; NaN where it is not known.

    Raises:
        UnknownFeederTypeError: there is no feeder of that type.
    """
    if not math.isnan(given.loss_db) or not given.feeder_type:
        return given.loss_db
    return float(matched_loss_db(find_feeder_type(given.feeder_type), given.length_m, given.frequency_mhz))


def worksheet(given: BenchGiven) -> Worksheet:
    """Work out a sheet.

    Raises:
        UnknownFeederTypeError: as `feeder_loss_of`.
    """
    loss_db, rho = feeder_loss_of(given), rho_from_power(given.forward_w, given.reflected_w)
    bounds = _bounds(given, rho)
    rho_antenna = rho_at_antenna(rho, loss_db)
    usable = rho_antenna if is_passive(rho_antenna) else math.nan
    net_w = given.forward_w - given.reflected_w if is_passive(rho) else math.nan
    total_db = total_loss_db(usable, loss_db)
    curve = given.curve
    return Worksheet(
        loss_db=loss_db,
        transmitter=_end(given, rho, bounds, given.forward_w),
        antenna=None
        if math.isnan(loss_db)
        else _end(
            given,
            rho_antenna,
            None
            if bounds is None
            else (rho_at_antenna(bounds[0], loss_db), rho_at_antenna(bounds[1], loss_db)),
            given.forward_w * 10.0 ** (-loss_db / 10.0),
        ),
        net_w=net_w,
        total_loss_db=total_db,
        additional_loss_db=additional_loss_db(usable, loss_db),
        radiated_w=net_w * 10.0 ** (-total_db / 10.0),
        ceiling_swr=swr_ceiling(loss_db),
        what_if=() if curve is None else tuple(_what_if(given, curve, loss_db)),
        present_fraction=math.nan if curve is None else curve.power_fraction(swr_from_rho(rho)),
    )


def _bounds(given: BenchGiven, rho: float) -> tuple[float, float] | None:
    """The band of the true rho: the meter's steps, and around both ends of that the coupler's leak."""
    if math.isnan(given.directivity_db) or math.isnan(rho):
        return None
    low, high = power_step_bounds(
        given.forward_w, given.reflected_w, given.forward_step_w, given.reflected_step_w
    )
    least, _ = rho_bounds(float(low), given.directivity_db)
    # Where the forward power may be nothing at all, the upper end is not finite and everything is possible.
    most = rho_bounds(float(high), given.directivity_db)[1] if math.isfinite(high) else 1.0
    return float(least), float(most)


def _end(given: BenchGiven, rho: float, bounds: tuple[float, float] | None, forward_w: float) -> End:
    least = most = None
    if bounds is not None:
        least, most = (match_of(min(one, 1.0)) for one in bounds)
    usable = rho if is_passive(rho) else math.nan
    return End(
        read=match_of(rho),
        least=least,
        most=most,
        forward_w=forward_w,
        crest_ratio=crest_ratio(usable),
        crest_voltage_v=crest_voltage_v(forward_w, usable, given.impedance_ohm),
        crest_current_a=crest_current_a(forward_w, usable, given.impedance_ohm),
    )


def _what_if(given: BenchGiven, curve: FoldbackCurve, loss_db: float) -> list[WhatIf]:
    swr = np.array(WHAT_IF_SWR)
    rho = rho_from_swr(swr)
    antenna = rho_at_antenna(rho, np.full_like(rho, loss_db))
    # More than the ceiling cannot be seen behind this feeder, whatever the antenna does.
    possible = np.where(antenna <= 1.0, antenna, np.nan)
    share = curve.power_fraction(swr)
    forward_w = given.forward_w * share
    # What goes into the feeder less its total loss is what the wave that reaches the antenna leaves there.
    radiated_w = forward_w * 10.0 ** (-loss_db / 10.0) * (1.0 - percent_reflected_from_rho(possible) / 100.0)
    rows = zip(swr.tolist(), share.tolist(), forward_w.tolist(), radiated_w.tolist(), strict=True)
    return [WhatIf(*row) for row in rows]


#: The generic protections by name, for a form.
PROTECTIONS = {name: curve for name, curve in AMPLIFIER_MODELS.items() if name != "none"}


def as_plain(sheet: Worksheet) -> dict[str, object]:
    """A sheet as data: not known as null, infinity as "infinite"."""

    def plain(value: object) -> object:
        if isinstance(value, float):
            if math.isnan(value):
                return None
            return value if math.isfinite(value) else "infinite"
        if isinstance(value, tuple):
            return [plain(one) for one in value]
        if isinstance(value, Match | End | WhatIf | Worksheet):
            return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
        return value

    found = plain(sheet)
    assert isinstance(found, dict)  # noqa: S101  of a worksheet always
    return found
