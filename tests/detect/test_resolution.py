"""The coarsest step that a power is a multiple of: the quick way gives what trying each step gives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.detect.resolution import FITS, STEPS_W, step_index

STEPS = [float(step) for step in STEPS_W[:-1]]


def tried(power_w: float) -> int:
    """Each step in turn, coarsest first, one power at a time."""
    for number, step_w in enumerate(STEPS):
        # Infinite steps are no whole number of them.
        if np.isfinite(multiple := power_w / step_w) and abs(multiple - np.rint(multiple)) < FITS:
            return number
    return len(STEPS)


@pytest.mark.parametrize(
    ("power_w", "step_w"),
    [
        *((0.0, 1.0), (7.0, 1.0), (1500.0, 1.0), (2.5, 0.5), (0.4, 0.2), (0.7, 0.1), (1.15, 0.05)),
        *((0.02, 0.02), (1.14, 0.02), (0.03, 0.01), (0.123, 0.0), (np.nan, 0.0), (np.inf, 0.0)),
        (-0.5, 0.5),
    ],
)
def test_powers_of_known_steps(power_w: float, step_w: float) -> None:
    assert STEPS_W[step_index(np.array([power_w]))].tolist() == [step_w]


def multiples() -> st.SearchStrategy[float]:
    """Whole numbers of steps, exactly or about as far off as just fits or just does not."""
    near = st.sampled_from([0.0, 1e-12, 1e-8, 9e-8, 1.1e-7, 9e-7, 1.1e-6, 1e-5, 9e-5, 1.1e-4, 2e-3])
    whole = st.integers(-1000, 10**7)
    return st.builds(
        lambda count, step_w, off, sign: (count + sign * off) * step_w,
        whole,
        st.sampled_from(STEPS),
        near,
        st.sampled_from([-1, 1]),
    )


@given(st.lists(st.one_of(multiples(), st.floats()), max_size=30))
def test_any_powers_are_told_as_by_trying_each_step(powers_w: list[float]) -> None:
    expected = [tried(power_w) for power_w in powers_w]
    assert step_index(np.array(powers_w, dtype=np.float64)).tolist() == expected


def test_many_powers_are_told_as_one_by_one() -> None:
    powers_w = np.round(np.random.default_rng(5).uniform(0, 60, 20_000), 2)
    powers_w[::7] = np.round(powers_w[::7], 1)
    powers_w[::31] += 1e-3
    assert step_index(powers_w).tolist() == [tried(power_w) for power_w in powers_w.tolist()]
