"""What rises together and what goes back by itself: weather, where nobody tells it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect import history
from standingwatch.detect.together import far_above, lately_normal, risen_together, went_back
from standingwatch.readings import Fleet

NUMBER = 20_000


def fleet_with(fleet_of: Callable[[str], Fleet], lines: int) -> Fleet:
    rows = "".join(f"amber,a{i},446,mast-{i % lines}\n" for i in range(4))
    return fleet_of(f"site,transmitter,frequency_mhz,antenna_line\n{rows}birch,b0,446,mast\n")


def state_of(fleet: Fleet, courses: list[list[float]] | None = None) -> Any:
    state = np.zeros(len(fleet), dtype=history.BASELINE_STATE)
    history.initial(state)
    state["rho"], state["spread"], state["hour_rho_spread"] = 0.1, 0.003, 0.003
    for row, course in enumerate(courses or []):
        for back, level in enumerate(reversed(course)):
            state["with_ice"][row, history.place_of_day(NUMBER - back)] = level
    return state


@pytest.mark.parametrize(
    ("course", "back"),
    [
        ([0.1] * 9, False),
        # Damage: it comes and stays, whatever rain and temperature add.
        ([0.1, 0.1, 0.3, 0.3, 0.31, 0.29, 0.3, 0.3, 0.3], False),
        ([0.1, 0.1, 0.3, 0.26, 0.31, 0.27, 0.3, 0.25, 0.3], False),
        # A slow fault; water that dries in part.
        ([0.12, 0.13, 0.15, 0.16, 0.18, 0.19, 0.2, 0.22, 0.23], False),
        ([0.2, 0.24, 0.22, 0.2, 0.19, 0.18, 0.24, 0.22, 0.2], False),
        # Ice: it wastes, also where it grows again.
        ([0.1, 0.1, 0.3, 0.25, 0.2, 0.18, 0.15, 0.13, 0.11], True),
        ([0.1, 0.3, 0.22, 0.17, 0.3, 0.3, 0.3, 0.29, 0.3], True),
        # Noise of a line at its normal; days without a level.
        ([0.1, 0.11, 0.1, 0.112, 0.1, 0.11, 0.1, 0.1, 0.1], False),
        ([np.nan, 0.3, np.nan, np.nan, 0.3, 0.3, np.nan, 0.3, np.nan], False),
    ],
)
def test_what_goes_back_by_itself(fleet_of: Callable[[str], Fleet], course: list[float], back: bool) -> None:
    fleet = fleet_with(fleet_of, 4)
    assert went_back(state_of(fleet, [course]), fleet, NUMBER).tolist() == [back] + [False] * 4


@pytest.mark.parametrize(
    ("course", "normal"),
    [
        ([0.1] * 12, 0.1),
        # Rain for a week, or on and off: still from the baseline.
        ([0.1, 0.1, 0.1, 0.099] + [0.15] * 8, 0.1),
        ([0.1, 0.15, 0.1, 0.15, 0.15, 0.15, 0.15, 0.15, np.nan, 0.15, 0.1], 0.1),
        # What has come to stay, upwards and downwards, and with days that are not known.
        ([0.1, 0.1, 0.17, 0.15, 0.16, 0.16, 0.18] + [0.2] * 5, 0.16),
        ([0.1, 0.1, 0.06, 0.07, np.nan, 0.065, 0.05] + [0.05] * 5, 0.065),
        ([0.1] * 3 + [np.nan] * 6 + [0.2] * 4, 0.1),
    ],
)
def test_what_has_stood_apart_for_days_is_normal_by_now(
    fleet_of: Callable[[str], Fleet], course: list[float], normal: float
) -> None:
    state = state_of(fleet_with(fleet_of, 4))
    for back, level in enumerate(reversed(course)):
        state["all_hours"][0, history.place_of_day(NUMBER - back)] = level
    assert lately_normal(state, NUMBER).tolist() == [normal] + [0.1] * 4


@pytest.mark.parametrize(("lines", "rising", "together"), [(4, 3, True), (4, 2, False), (1, 4, False)])
def test_most_lines_of_a_site_at_once_are_no_fault_of_one(
    fleet_of: Callable[[str], Fleet], lines: int, rising: int, together: bool
) -> None:
    fleet = fleet_with(fleet_of, lines)
    state = state_of(fleet)
    rho = np.full((len(fleet), 24), 0.1)
    rho[:rising, 5:8] = 0.3
    found = risen_together(state, fleet, rho, far_above(state, fleet, 0.003))
    assert found.tolist() == [together, False]
