"""Units that were set wrong are asked about, and transmitters that are well, set low or broken are not."""

from __future__ import annotations

import numpy as np
import pytest

from standingwatch.readings.plausible import UnitDoubt, doubt_sentence, unit_doubts

#: Rated [W], forward and reflected as reported, whether keyed, baseline [rho]; and what is asked.
CASES = {
    "well": (100, 98, 1, True, np.nan, UnitDoubt.NONE),
    "milliwatt": (100, 98_200, 1130, True, np.nan, UnitDoubt.MILLIWATT),
    "milliwatt-of-a-tenth": (100, 10_000, 100, True, np.nan, UnitDoubt.MILLIWATT),
    "kilowatt": (100, 0.098, 0.001, True, np.nan, UnitDoubt.KILOWATT),
    "idle-is-no-kilowatt": (100, 0.098, 0.001, False, np.nan, UnitDoubt.NONE),
    "dbm": (100, 49.9, 29.0, True, np.nan, UnitDoubt.DBM),
    "dbm-of-a-baseline-in-dbm": (100, 49.9, 29.0, True, 0.76, UnitDoubt.DBM),
    "dbm-of-a-small-one": (5, 36.9, 17.0, True, np.nan, UnitDoubt.DBM),
    "dbm-of-a-large-one": (1000, 60.2, 38.0, True, np.nan, UnitDoubt.DBM),
    "folded-back-on-an-open-line": (100, 50.0, 29.0, True, 0.08, UnitDoubt.NONE),
    "set-to-half-with-a-good-match": (100, 50.0, 0.5, True, np.nan, UnitDoubt.NONE),
    "watts-in-the-field-of-dbm": (100, 1e7, 1.3, True, 0.1, UnitDoubt.MILLIWATT),
    "far-above": (10, 95, 1, True, np.nan, UnitDoubt.FAR_ABOVE),
    "rating-not-known": (np.nan, 98_200, 1130, True, np.nan, UnitDoubt.NONE),
    "no-forward-power": (100, np.nan, 1, True, np.nan, UnitDoubt.NONE),
    "below-zero": (100, -1, 1, True, np.nan, UnitDoubt.NONE),
}


def test_what_is_asked_and_what_is_not() -> None:
    rated, forward, reflected, keyed, rho, wanted = (np.array(c) for c in zip(*CASES.values(), strict=True))
    found = unit_doubts(
        rated.astype(float),
        forward.astype(float),
        reflected.astype(float),
        keyed.astype(bool),
        rho.astype(float),
    )
    assert dict(zip(CASES, found.tolist(), strict=True)) == dict(zip(CASES, wanted.tolist(), strict=True))


@pytest.mark.parametrize("rated_w", [5.0, 10.0, 20.0, 25.0, 100.0, 250.0, 1000.0])
def test_dbm_of_usual_ratings_and_matches(rated_w: float) -> None:
    """Both powers in dBm: at rated power and 1 dB below, with return losses of 10 to 30 dB."""
    below_db, return_loss_db = (one.ravel() for one in np.meshgrid([0.0, 1.0], [10.0, 14.0, 20.0, 30.0]))
    forward = 30 + 10 * np.log10(rated_w) - below_db
    none = np.full(len(forward), np.nan)
    rated, keyed = np.full(len(forward), rated_w), np.ones(len(forward), dtype=np.bool_)
    found = unit_doubts(rated, forward, forward - return_loss_db, keyed, none)
    assert set(found.tolist()) == {UnitDoubt.DBM}


def test_in_words() -> None:
    said = doubt_sentence(UnitDoubt.MILLIWATT, 98_200.0, 100.0)
    assert said.startswith("forward power 98,200 W, where 100 W are rated: is it in mW? Correct it where")
