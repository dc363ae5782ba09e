"""Likely causes: each one first for what it does to the readings, never more than certain together."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.detect import cause
from standingwatch.detect.cause import Others, RainEvidence
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition
from standingwatch.rf import rho_from_swr

NAN = float("nan")
ALONE = Others(0, "")
SHARED = Others(2, "2 of 3 others on the antenna line have moved too")
NO_RAIN = RainEvidence(0, 0, NAN, NAN, NAN, NAN)
WITH_RAIN = RainEvidence(10, 20, 0.02, -0.004, 6.0, 0.3)
WITHOUT_RAIN = RainEvidence(10, 20, 0.003, 0.003, 0.1, 0.0)
RATCHET = RainEvidence(2, 0, NAN, NAN, NAN, 0.4)


@pytest.mark.parametrize(
    ("causes", "first"),
    [
        (cause.causes_of_trend(0.1, 10, NO_RAIN, ALONE), Cause.CONNECTOR),
        (cause.causes_of_trend(0.1, 10, WITHOUT_RAIN, ALONE), Cause.CONNECTOR),
        (cause.causes_of_trend(0.1, 10, WITH_RAIN, ALONE), Cause.WATER),
        (cause.causes_of_trend(0.1, 10, RATCHET, ALONE), Cause.WATER),
        (cause.causes_of_trend(0.1, 10, WITH_RAIN, SHARED), Cause.SHARED_ANTENNA_SYSTEM),
        (cause.causes_of_step(1.2, 5.0, ALONE, NO_RAIN), Cause.ANTENNA_DAMAGE),
        (cause.causes_of_step(1.2, np.inf, SHARED, WITH_RAIN), Cause.SHARED_ANTENNA_SYSTEM),
        (cause.causes_of_step(1.2, 1.6, ALONE, WITH_RAIN), Cause.WATER),
        (cause.causes_of_high_swr(3.0, 1.2), Cause.ANTENNA_DAMAGE),
        (cause.causes_of_high_swr(np.inf, 1.2), Cause.ANTENNA_DAMAGE),
        (cause.causes_of_high_swr(1.72, 1.69), Cause.CONNECTOR),
        (cause.causes_of_high_swr(1.3, 1.2, stepped=True), Cause.ANTENNA_DAMAGE),
        (cause.causes_of_high_swr(3.0, NAN), Cause.UNKNOWN),
        (cause.causes_of_high_swr(3.0, 1.2, iced=True), Cause.ICE),
        (cause.causes_of_bursts(5, 40, NAN), Cause.LOOSE_CONNECTION),
        (cause.causes_of_improvement(3.0), Cause.FEEDER_LOSS),
        (cause.causes_of_low_power(2.0, False), Cause.AMPLIFIER),
        (cause.causes_of_low_power(2.0, True), Cause.AMPLIFIER),
        (cause.causes_of_suspect_measurement("stuck"), Cause.COUPLER),
        (cause.causes_of_silence(whole_site=True), Cause.SITE_LINK),
        (cause.causes_of_silence(whole_site=False), Cause.UNKNOWN),
    ],
)
def test_the_leading_cause(causes: tuple[LikelyCause, ...], first: Cause) -> None:
    assert causes[0].cause is first
    confidences = [c.confidence for c in causes]
    assert confidences == sorted(confidences, reverse=True)
    assert 0 < sum(confidences) <= 1
    assert len({c.cause for c in causes}) == len(causes)
    for one in causes:
        assert one.because
        assert "nan" not in one.because


def test_bursts_in_wind_say_so() -> None:
    assert "windy" in cause.causes_of_bursts(5, 40, 0.6)[0].because
    assert "windy" not in cause.causes_of_bursts(5, 40, 0.0)[0].because


# By planted readings ------------------------------------------------------------------------------------


def rain(day: Any, _: int = 0) -> Any:
    return np.where((day - 0.3) % 3.0 < 0.3, 2.0, 0.0)


COLUMNS = {"precipitation": rain, "ambient_temperature_c": lambda day, _: np.full(len(day), 10.0)}


def soaked(day: Any, _: int = 0) -> Any:
    """Up with each rain from day 20 on, back half of the way in between: worse each time."""
    spells = np.floor((day - 0.3) / 3.0)
    first = np.floor((20 - 0.3) / 3.0)
    count = np.clip(spells - first, 0, None)
    since = (day - 0.3) % 3.0
    # Half of each rise goes again within the dry days.
    now = np.where(since < 0.3, since / 0.3, 1.0 - 0.5 * (since - 0.3) / 2.7)
    return 0.1 + 0.03 * (0.5 * np.clip(count - 1, 0, None) + np.where(count > 0, now, 0.0))


def test_water_by_its_ratchet_with_the_rain(line: Any, tell: Any) -> None:
    told = tell(line(), soaked, 62, columns=COLUMNS)
    leading = told.leading(Condition.SWR_RISING)
    assert leading[-1] is Cause.WATER
    evidence = cause.rain_evidence(told.engine.slow["baseline"], int(told.state()["last_day"]), 0)
    assert evidence.wet_rise > 0 > evidence.dry_rise
    assert evidence.follows


def test_a_connector_takes_no_note_of_the_rain(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: 0.1 + 0.005 * np.clip(day - 20, 0, None), 62, columns=COLUMNS)
    leading = told.leading(Condition.SWR_RISING)
    assert set(leading) == {Cause.CONNECTOR}
    evidence = cause.rain_evidence(told.engine.slow["baseline"], int(told.state()["last_day"]), 0)
    assert min(evidence.wet_days, evidence.dry_days) >= 5
    assert not evidence.follows


def test_rain_evidence_of_few_days_says_so(line: Any, tell: Any) -> None:
    told = tell(line(), 0.1, 5, columns=COLUMNS)
    evidence = cause.rain_evidence(told.engine.slow["baseline"], int(told.state()["last_day"]), 0)
    assert np.isnan(evidence.apart)
    assert not evidence.follows
    assert np.isnan(evidence.skew)


def test_members_of_a_line_that_rise_together_are_a_shared_antenna(fleet_of: Any, tell: Any) -> None:
    text = "site,transmitter,frequency_mhz,antenna_line,expected_interval_s\n"
    fleet = fleet_of(text + "".join(f"amber,a{i},44{i},top,1800\n" for i in range(3)) + "amber,b,449,,1800\n")

    def rho(day: Any, i: int) -> Any:
        return 0.1 + (0.006 * np.clip(day - 20, 0, None) if i < 3 else 0.0 * day)

    told = tell(fleet, rho, 50)
    assert told.leading(Condition.SWR_RISING)[-1] is Cause.SHARED_ANTENNA_SYSTEM
    assert 3 not in {m for f in told.findings for m in (*f.members, f.transmitter)}


@pytest.mark.parametrize(
    ("course", "condition", "first"),
    [
        (
            lambda day: np.where(day < 20.4, rho_from_swr(1.2), rho_from_swr(9)),
            Condition.SWR_STEP,
            Cause.ANTENNA_DAMAGE,
        ),
        (
            lambda day: np.where(day < 20.4, rho_from_swr(1.2), rho_from_swr(9)),
            Condition.SWR_HIGH,
            Cause.ANTENNA_DAMAGE,
        ),
        (
            lambda day: 0.1 + 0.35 * ((day > 20) & (day % 1 > 0.5) & (day % 1 < 0.6)),
            Condition.SWR_INTERMITTENT,
            Cause.LOOSE_CONNECTION,
        ),
        (
            lambda day: 0.25 - 0.004 * np.clip(day - 20, 0, 40),
            Condition.FEEDER_LOSS_RISING,
            Cause.FEEDER_LOSS,
        ),
        (lambda day: np.where(day < 20.4, 0.15, 1.4), Condition.MEASUREMENT_SUSPECT, Cause.COUPLER),
    ],
    ids=["step", "high", "bursts", "improvement", "meter"],
)
def test_each_signature_has_its_cause_first(
    line: Any, tell: Any, course: Any, condition: Condition, first: Cause
) -> None:
    told = tell(line(), lambda day, _: course(day), 45)
    assert told.leading(condition)
    assert set(told.leading(condition)) == {first}
