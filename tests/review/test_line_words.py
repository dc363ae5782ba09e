"""What is going on with a line, in words: worked from baseline, level, alarms and forecast."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.line_words import LineNow, counts_rho, lost_db, what_goes_on
from standingwatch.review.spans import DAY_US

#: 2026-03-14 09:26:53 UTC
NOW_US = 1_773_480_413_000_000
CALM = LineNow(
    reports=60,
    last_report_us=NOW_US,
    level_rho=0.1,
    baseline_rho=0.1,
    baseline_spread=0.004,
    baseline_kind="full",
    feeder_loss_db=3.0103,
    now_us=NOW_US,
)
RISING = Alarm(
    key=AlarmKey("S1", "T1", Condition.SWR_RISING),
    severity=Severity.MINOR,
    is_cleared=False,
    raised_us=NOW_US - DAY_US,
    changed_us=NOW_US - DAY_US,
    changes=1,
    values={},
    causes=(LikelyCause(Cause.LOOSE_CONNECTION, 0.6, "it fits"),),
    forecast=(LimitForecast("tolerance", 3.0, "expected", *(NOW_US + n * DAY_US for n in (5, 10, 20))),),
)


def told(now: LineNow) -> list[str]:
    return what_goes_on(now, DepartureSettings())


def test_loss_worked_by_hand() -> None:
    # a = 2, rho at the antenna 0.4: 10 log10((4 - 0.16) / (2 (1 - 0.16))) = 3.59 dB.
    assert lost_db(0.2, 3.0103) == pytest.approx(3.590, abs=1e-3)
    assert lost_db(0.0, 3.0103) == pytest.approx(3.0103)
    assert lost_db(0.5, 10.0 * np.log10(2.0)) == np.inf
    assert np.isnan(lost_db(0.6, 3.0103))
    assert np.isnan(lost_db(np.nan, 3.0103))
    assert np.isnan(lost_db(0.2, np.nan))


def test_what_counts_is_what_the_detectors_count() -> None:
    settings = DepartureSettings()
    # Four spreads, against 0.025 at the antenna: 0.0125 behind 3 dB.
    assert counts_rho(CALM, settings) == pytest.approx(0.016)
    assert counts_rho(replace(CALM, baseline_spread=0.0), settings) == pytest.approx(0.0125, abs=1e-6)
    assert counts_rho(replace(CALM, baseline_kind="provisional"), settings) == pytest.approx(0.032)
    assert counts_rho(replace(CALM, baseline_spread=np.nan, feeder_loss_db=np.nan), settings) == 0.025


def test_at_its_baseline() -> None:
    assert told(replace(CALM, level_rho=0.115)) == [
        "The match is as its baseline has it: SWR 1.26:1 (return loss 18.8 dB) against a full baseline of "
        "1.22:1 (20.0 dB).",
        "No alarm stands.",
    ]


def test_worse_with_cost_alarm_and_forecast() -> None:
    sentences = told(
        replace(CALM, level_rho=0.2, alarms=(RISING, replace(RISING, severity=Severity.WARNING)))
    )
    assert sentences == [
        "The match is worse than its baseline: SWR 1.50:1 (return loss 14.0 dB) against a full baseline of "
        "1.22:1 (20.0 dB).",
        "It costs 0.5 dB of signal at the antenna: 3.6 dB are lost between transmitter and antenna, 3.1 dB "
        "at the baseline.",
        "SWR rising against its own baseline: minor, since 2026-03-13 09:26:53 UTC; 1 more alarm stands.",
        "Likely cause: loose connection (60%), it fits.",
        "Tolerance (SWR 3.0) expected about 2026-03-24, between 2026-03-19 and 2026-04-03 (80 %).",
        "Time left until tolerance: about 10 days.",
    ]


def test_a_limit_that_the_level_has_passed_is_not_foretold() -> None:
    sentences = told(replace(CALM, level_rho=0.51, alarms=(RISING,)))
    assert sentences[-1] == "Tolerance (SWR 3.0) is reached."


def test_a_small_cost_is_said_to_be_small() -> None:
    cheap = told(replace(CALM, level_rho=0.2, feeder_loss_db=0.3))
    assert cheap[1] == "It costs less than 0.1 dB of signal at the antenna."


def test_a_reading_far_above_the_level_is_told() -> None:
    assert told(replace(CALM, newest_rho=1.0))[1] == "The newest reading is far above that: SWR infinite."
    assert len(told(replace(CALM, newest_rho=0.159))) == 2


def test_better_is_a_finding_and_costs_nothing_to_tell() -> None:
    sentences = told(replace(CALM, level_rho=0.05))
    assert sentences[0].startswith("The match reads better than its baseline: SWR 1.11:1")
    assert "a feeder that loses more hides what the antenna reflects" in sentences[0]
    assert sentences[1:] == ["No alarm stands."]


def test_total_reflection() -> None:
    sentences = told(replace(CALM, level_rho=1.0, feeder_loss_db=0.0))
    assert "SWR infinite (return loss 0.0 dB)" in sentences[0]
    behind = told(replace(CALM, level_rho=1.0))
    assert "more than an open end could show behind the listed feeder" in behind[1]
    assert told(replace(CALM, level_rho=0.5, feeder_loss_db=10 * np.log10(2.0)))[1] == (
        "All is reflected: nothing is radiated."
    )


def test_without_a_baseline_nothing_is_normal() -> None:
    sentences = told(replace(CALM, baseline_rho=np.nan, baseline_kind=""))
    assert sentences[0] == (
        "SWR 1.22:1 (return loss 20.0 dB). The baseline is still being learned: nothing says yet what is "
        "normal here."
    )
    assert len(sentences) == 2


def test_nothing_to_judge() -> None:
    unknown = replace(CALM, level_rho=np.nan)
    assert told(unknown)[0].startswith(
        "60 reports came in the last day, and none says anything about the match"
    )
    assert told(replace(unknown, reports=0))[0] == (
        "No report came in the last day; the last one is of 2026-03-14 09:26:53 UTC."
    )
    assert told(replace(unknown, reports=0, last_report_us=0))[0] == (
        "Nothing has been heard of this transmitter yet."
    )
