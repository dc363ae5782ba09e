"""What leaves its baseline: seen in the levels as measured, not only in what temperature is thought to do."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.departure import DepartureSettings, depart
from standingwatch.detect.history import BASELINE_STATE, FULL, initial
from standingwatch.readings import Fleet


@pytest.mark.parametrize(("measured", "away"), [(0.063, False), (0.1, True)])
def test_temperature_alone_makes_no_departure(
    fleet_of: Callable[[str], Fleet], measured: float, away: bool
) -> None:
    """Learned at 23 degrees C on a coarse meter, 0.004 a degree would make 0.06 of nothing at 8 degrees."""
    state: Any = np.zeros(1, dtype=BASELINE_STATE)
    initial(state)
    state["kind"], state["rho"], state["spread"] = FULL, 0.06, 0.004
    state["per_c"], state["reference_c"] = 0.004, 23.0
    state["raw"], state["temperature_c"] = measured, 8.0
    fleet = fleet_of("site,transmitter,frequency_mhz\namber,main,446\n")
    seen = depart(state, fleet, DepartureSettings(), 100)
    assert seen.change.tolist() == [pytest.approx(measured)]
    assert seen.away.tolist() == [away]
