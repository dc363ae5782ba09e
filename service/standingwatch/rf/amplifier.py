"""How a power amplifier's protection takes the power back as the SWR rises."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from standingwatch.rf._shapes import FloatArray, T, elementwise


@dataclass(frozen=True)
class FoldbackCurve:
    """Output power of a protected amplifier over the SWR it sees, as a straight line between two points.

    Parameters
    ----------
    start_swr : float
        SWR at which the power begins to fall [1], 1 or more, finite.
    full_swr : float
        SWR at which it has fallen all the way [1], `start_swr` or more, finite. Equal to `start_swr`: a step.
    floor_fraction : float
        Share of the set power that is left at `full_swr` and above [1], 0..1. 1 is an amplifier that never
        folds.
    source : str
        Where the figures come from.

    Raises
    ------
    ValueError
        Naming every figure that is out of range.
    """

    start_swr: float
    full_swr: float
    floor_fraction: float
    source: str

    def __post_init__(self) -> None:
        problems = []
        if not (math.isfinite(self.start_swr) and self.start_swr >= 1.0):
            problems.append(f"start_swr: got {self.start_swr}, wanted a finite SWR of 1 or more")
        if not (math.isfinite(self.full_swr) and self.full_swr >= self.start_swr):
            problems.append(
                f"full_swr: got {self.full_swr}, wanted a finite SWR of start_swr ({self.start_swr}) or more"
            )
        if not 0.0 <= self.floor_fraction <= 1.0:
            problems.append(f"floor_fraction: got {self.floor_fraction}, wanted a share between 0 and 1")
        if not self.source.strip():
            problems.append("source: got an empty text, wanted where the figures come from")
        if problems:
            raise ValueError("foldback curve: " + "; ".join(problems))

    def power_fraction(self, swr: T) -> T:
        """Return the share of the set power that the amplifier delivers at an SWR.

        Parameters
        ----------
        swr : float, array, list or Series
            SWR at the amplifier [1], 1..inf.

        Returns
        -------
        float, array or Series
            Share of the set power [1]: 1 up to `start_swr`, then falling in a straight line to
            `floor_fraction` at `full_swr`, and held there, for an infinite SWR too. NaN where the SWR is
            below 1 or NaN.
        """
        return elementwise(self._power_fraction, swr)

    def _power_fraction(self, swr: FloatArray) -> FloatArray:
        span = self.full_swr - self.start_swr
        # Above full_swr the first choice holds, so the line needs no value there (nor for a step, span 0).
        over = np.where(swr >= self.full_swr, 0.0, np.maximum(swr - self.start_swr, 0.0))
        line = 1.0 - (1.0 - self.floor_fraction) * over / (span if span > 0.0 else 1.0)
        fraction = np.where(swr >= self.full_swr, self.floor_fraction, line)
        return np.where(swr >= 1.0, fraction, np.nan)


#: Generic protections by the name the site list uses for them (`pa_protection`). No maker's model: the
#: figures of a real amplifier come from its manual, `dataclasses.replace` puts them in.
AMPLIFIER_MODELS: Mapping[str, FoldbackCurve] = MappingProxyType(
    {
        "foldback": FoldbackCurve(
            2.0, 4.0, 0.25, "common practice, no source: begins between 1.5:1 and 3:1, by model"
        ),
        "shutdown": FoldbackCurve(
            3.0, 3.0, 0.0, "common practice, no source: off at 3:1, the most many transmitters tolerate"
        ),
        "none": FoldbackCurve(1.0, 1.0, 1.0, "by definition: the power does not depend on the SWR"),
    }
)
