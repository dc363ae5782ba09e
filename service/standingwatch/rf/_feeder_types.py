"""Kinds of feeder, their attenuation figures with their sources, and finding one by the name people write.

The attenuation figures are typical values of handbook tables, at room temperature, for dry and sound cable.
They are not specification limits: a specification gives the most that a cable may lose, and a sound cable
loses less. Typical tables differ too, by up to a tenth at VHF and a fifth at UHF for small cable. A loss that
was measured on site, or stands in the maker's sheet of the cable in question, is better than any of them.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


class UnknownFeederTypeError(LookupError):
    """No feeder type of that name in the table; the message names those that come near."""


@dataclass(frozen=True)
class FeederType:
    """A kind of coaxial feeder.

    Parameters
    ----------
    name : str
        Name in the table.
    k1 : float
        Skin-effect term [dB/100 m per sqrt(MHz)], 0 or more.
    k2 : float
        Dielectric term [dB/100 m per MHz], 0 or more.
    impedance_ohm : float
        Nominal characteristic impedance [ohm], above 0.
    max_frequency_mhz : float
        Highest frequency that the coefficients are used at [MHz], above 0. In the table here: one and a half
        times the highest frequency of the figures that they were fitted to (common practice, no source).
    velocity_factor : float or None
        Wave velocity over that of light [1], above 0 to 1; None if not known.
    source : str
        Where the coefficients come from.

    Raises
    ------
    ValueError
        Naming every figure that is out of range.
    """

    name: str
    k1: float
    k2: float
    impedance_ohm: float
    max_frequency_mhz: float
    velocity_factor: float | None
    source: str

    def __post_init__(self) -> None:
        problems = [
            f"{key}: got an empty text" for key in ("name", "source") if not getattr(self, key).strip()
        ]
        problems += [
            f"{key}: got {value}, wanted a finite number of 0 or more"
            for key, value in (("k1", self.k1), ("k2", self.k2))
            if not (math.isfinite(value) and value >= 0.0)
        ]
        problems += [
            f"{key}: got {value}, wanted a finite number above 0"
            for key, value in (
                ("impedance_ohm", self.impedance_ohm),
                ("max_frequency_mhz", self.max_frequency_mhz),
            )
            if not (math.isfinite(value) and value > 0.0)
        ]
        if self.velocity_factor is not None and not 0.0 < self.velocity_factor <= 1.0:
            problems.append(f"velocity_factor: got {self.velocity_factor}, wanted above 0 to 1, or None")
        if problems:
            raise ValueError(f"feeder type {self.name!r}: " + "; ".join(problems))


_HANDBOOK = (
    "typical; fitted to ARRL General Class License Manual, Table 6-1 (as corrected), at 30 and 150 MHz, "
    "and to the middle of handbook bands at 450 and 900 MHz, which are partly from memory"
)
_BANDS = (
    "typical; fitted to the middle of handbook bands at 50, 150, 450 and 900 MHz, "
    "which are partly from memory"
)
_GUIDE = (
    "typical; fitted to Codan Radio, Radio Repeater Systems Training Guide, appendix H "
    "(nominal attenuation at 50 to 850 MHz), read at second hand"
)
_MEMORY = "typical; fitted to catalogue figures from memory at 100 to 1000 MHz, not checked: about 10 %"

# Coefficients by least squares of the relative error, to five decimals; the tests fit them again from the
# figures in fixtures/checkvalues. Velocity factors: solid polyethylene 0.66, PTFE 0.695 (textbook); foams
# from memory.
_TABLE = (
    FeederType("RG-58", 1.35902, 0.01605, 50.0, 1350.0, 0.66, _HANDBOOK),
    FeederType("RG-8", 0.60611, 0.00658, 50.0, 1350.0, 0.66, _HANDBOOK),
    FeederType("RG-213", 0.60611, 0.00658, 50.0, 1350.0, 0.66, _HANDBOOK),
    FeederType("RG-214", 0.60120, 0.00683, 50.0, 1350.0, 0.66, _BANDS),
    FeederType("RG-223", 1.27904, 0.00739, 50.0, 1500.0, 0.66, _MEMORY),
    FeederType("RG-142", 1.22661, 0.00560, 50.0, 1500.0, 0.695, _MEMORY),
    FeederType("RG-303", 1.23268, 0.00180, 50.0, 1275.0, 0.695, _GUIDE),
    FeederType("RG-393", 0.63711, 0.00375, 50.0, 1275.0, 0.695, _GUIDE),
    FeederType("RG-8 foam", 0.56162, 0.00138, 50.0, 1275.0, 0.78, _GUIDE),
    FeederType("1/4-in foam corrugated", 0.39246, 0.00149, 50.0, 1350.0, None, _MEMORY),
    FeederType("3/8-in foam corrugated", 0.32564, 0.00094, 50.0, 1350.0, None, _MEMORY),
    FeederType("1/2-in foam corrugated", 0.21514, 0.00070, 50.0, 1350.0, 0.88, _BANDS),
    FeederType("7/8-in foam corrugated", 0.11493, 0.00050, 50.0, 1350.0, 0.89, _BANDS),
    FeederType("1-1/4-in foam corrugated", 0.08179, 0.00039, 50.0, 1350.0, None, _MEMORY),
    FeederType("1-5/8-in foam corrugated", 0.07608, 0.00016, 50.0, 1275.0, None, _GUIDE),
)

#: The feeder types known by name.
FEEDER_TYPES: Mapping[str, FeederType] = MappingProxyType({entry.name: entry for entry in _TABLE})

#: Variants that differ in jacket or approval, hardly in loss, by the type that stands for them.
#: Part numbers from memory.
_VARIANTS = {
    "RG-58": ("RG-58A", "RG-58B", "RG-58C", "M17/28", "M17/28-RG58"),
    "RG-8": ("RG-8A",),
    "RG-213": ("M17/74", "M17/74-RG213"),
    "RG-214": ("M17/75", "M17/75-RG214"),
    "RG-223": ("M17/84", "M17/84-RG223"),
    "RG-142": ("RG-142A", "RG-142B", "M17/60", "M17/60-RG142"),
    "RG-8 foam": ("foam RG-8",),
}
_DASHES_AND_QUOTES = re.compile(r"[\s\-\u2010-\u2015\u2212_\"'\u2018-\u201d\u2032\u2033.]+")


def _plain(name: str) -> str:
    """Reduce a name to what tells types apart: no case, blanks, dashes, quotes, "inch" or "/U"."""
    text = unicodedata.normalize("NFKD", name).casefold().replace("\u2044", "/")
    text = _DASHES_AND_QUOTES.sub("", text)
    text = re.sub(r"/?u$", "", text)
    if text[:1].isdigit():
        # A size in inches can only be corrugated cable here, with or without the words for it.
        text = re.sub(r"inches|inch|in|foam|corrugated", "", text)
    return text


_BY_PLAIN_NAME: Mapping[str, FeederType] = MappingProxyType(
    {
        _plain(written): entry
        for name, entry in FEEDER_TYPES.items()
        for written in (name, *_VARIANTS.get(name, ()))
    }
)


def find_feeder_type(name: str) -> FeederType:
    """Return the feeder type of a name as people write it.

    Case, blanks, dashes, quotes, "inch" or "in", the suffix "/U" or "-U" and the letter of a variant do not
    matter: `RG58C/U`, `rg 58`, `7/8"` and `1 5/8 inch` are all found.

    Parameters
    ----------
    name : str
        Name of the type.

    Returns
    -------
    FeederType
        The entry of `FEEDER_TYPES`.

    Raises
    ------
    UnknownFeederTypeError
        If there is no such type; the message names the nearest ones, or all of them if none comes near.
    """
    found = _BY_PLAIN_NAME.get(_plain(name))
    if found is not None:
        return found
    near = difflib.get_close_matches(_plain(name), _BY_PLAIN_NAME, n=5, cutoff=0.6)
    names = list(dict.fromkeys(_BY_PLAIN_NAME[match].name for match in near))
    hint = f"did you mean {', '.join(names)}?" if names else f"known are {', '.join(FEEDER_TYPES)}."
    raise UnknownFeederTypeError(
        f"feeder type: got {name!r}, wanted a known type; {hint} If the cable is another, give its one-way "
        "loss in dB (feeder_loss_db) instead of a type"
    )
