"""The text of groups and forecasts, the figures of each condition, and what to do first."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standingwatch.alarms.detail import detail
from standingwatch.alarms.first_steps import FIRST_STEP, OFF_THE_AIR, first_step
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.alarms.text import sentence
from standingwatch.alarms.words import at_present, data_size, forecast_sentences, lasting, nearest, span
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import SERVICE_CONDITIONS, Cause, Condition, Severity

DAY_US = 86_400_000_000
#: 2026-02-01 00:00 UTC
NOW_US = 1_769_904_000_000_000
SITE = AlarmKey("amber", "", Condition.SWR_HIGH)
REGION = AlarmKey("", "", Condition.SWR_WEATHER, "north")
SHARED = (LikelyCause(Cause.SHARED_ANTENNA_SYSTEM, 0.7, "all of them moved together"),)


def at(days: float) -> int:
    return NOW_US + round(days * DAY_US)


def dated(limit: str, swr: float, earliest: float, expected: float, latest: float | None) -> LimitForecast:
    last = None if latest is None else at(latest)
    return LimitForecast(limit, swr, "expected", at(earliest), at(expected), last)


def changed(
    key: AlarmKey, before: Alarm | None = None, severity: Severity = Severity.MINOR, **more: Any
) -> Change:
    change = apply(before, Evidence(key, severity, NOW_US, **more), NOW_US)
    assert change is not None
    return change


# Who ----------------------------------------------------------------------------------------------------


def test_a_group_at_a_site_names_its_members_without_the_site() -> None:
    members = ("amber/a1", "amber/a2", "amber/a3")
    text = sentence(changed(SITE, members=members, values={"antenna_line": "main"}))
    assert text.startswith("site amber (3 transmitters: a1, a2, a3): SWR over its limit, minor, since")
    assert "Antenna line: main." in text


@pytest.mark.parametrize(("count", "end"), [(6, "t5)"), (7, "t5 and 1 more)"), (40, "t5 and 34 more)")])
def test_a_large_group_names_six_and_counts_the_rest(count: int, end: str) -> None:
    members = tuple(f"site{i}/t{i}" for i in range(count))
    text = sentence(changed(REGION, members=members))
    start = (
        f"region north ({count} transmitters: site0/t0, site1/t1, site2/t2, site3/t3, site4/t4, site5/{end}:"
    )
    assert text.startswith(start)


def test_a_region_or_site_without_members_is_named_alone() -> None:
    assert sentence(changed(REGION)).startswith("region north: SWR rising with wet weather, minor")
    assert sentence(changed(SITE)).startswith("site amber: SWR over its limit, minor")


def test_an_ended_group_still_says_who_was_in_it() -> None:
    first = changed(SITE, members=("amber/a1", "amber/a2"))
    text = sentence(changed(SITE, first.alarm, Severity.CLEARED))
    assert text.startswith("site amber (2 transmitters: a1, a2): SWR over its limit: ended 2026-02-01")


def test_other_members_and_another_cause_are_said_to_be_the_news() -> None:
    first = changed(SITE, members=("amber/a1", "amber/a2", "amber/a3"), causes=SHARED)
    other = changed(SITE, first.alarm, members=("amber/a1", "amber/a4"))
    assert "minor (as before; 1 transmitter joined, 2 left), since" in sentence(other)
    ice = (LikelyCause(Cause.ICE, 0.6, "it freezes"),)
    both = changed(SITE, first.alarm, members=("amber/a1", "amber/a2"), causes=ice)
    assert "(as before; likely cause was shared-antenna-system, 0 transmitters joined, 1 left)" in sentence(
        both
    )
    assert "Likely cause: ice (60%), it freezes." in sentence(both)
    alone = changed(SITE, changed(SITE).alarm, causes=ice)
    assert "(as before; a likely cause is known now)" in sentence(alone)


def test_figures_of_a_group_are_said_to_be_of_one_member() -> None:
    members = ("amber/a1", "amber/a2")
    assert "One of them: SWR 1.80:1 at the transmitter" in sentence(
        changed(SITE, members=members, values={"swr": 1.8})
    )
    assert "One of them" not in sentence(changed(SITE, members=members))
    assert "One of them" not in sentence(changed(SITE, values={"swr": 1.8}))


# When ---------------------------------------------------------------------------------------------------


def test_a_date_has_its_bounds_and_the_time_left() -> None:
    assert forecast_sentences([dated("foldback", 2.5, 19, 29, 42)], NOW_US) == [
        "Foldback (SWR 2.5) expected about 2026-03-02, between 2026-02-20 and 2026-03-15 (80 %).",
        "Time left until foldback: about 4 weeks.",
    ]


def test_a_limit_that_may_never_be_reached_has_no_latest_date() -> None:
    [first, left] = forecast_sentences([dated("tolerance", 3.0, 10, 60, None)], NOW_US)
    assert first == (
        "Tolerance (SWR 3.0) expected about 2026-04-02, not before 2026-02-11 (90 %); "
        "it may also never be reached."
    )
    assert left == "Time left until tolerance: about 9 weeks."


def test_the_time_left_is_that_of_the_nearest_grave_limit() -> None:
    forecast = (
        dated("swr-1.5", 1.5, 1, 2, 3),
        dated("tolerance", 3.0, 20, 40, 60),
        dated("foldback", 2.0, 5, 10, 15),
    )
    assert nearest(forecast) == forecast[2]
    sentences = forecast_sentences(forecast, NOW_US)
    assert sentences[-1] == "Time left until foldback: about 10 days."
    assert not any("1.5" in s for s in sentences)
    reached = (LimitForecast("foldback", 2.0, "reached"), forecast[1])
    assert nearest(reached) == forecast[1]
    assert forecast_sentences(reached, NOW_US)[0] == "Foldback (SWR 2.0) is reached."
    assert forecast_sentences(reached, NOW_US)[-1] == "Time left until tolerance: about 6 weeks."


def test_a_date_that_has_gone_by_is_told_as_one() -> None:
    forecast = (dated("foldback", 2.0, -20, -15, -10), dated("tolerance", 3.0, 5, 16, 29))
    assert nearest(forecast, NOW_US) == forecast[1]
    sentences = forecast_sentences(forecast, NOW_US)
    assert sentences[0] == "Foldback (SWR 2.0) was expected about 2026-01-17."
    assert sentences[-1] == "Time left until tolerance: about 16 days."
    assert nearest(forecast[:1], NOW_US) == forecast[0]


def test_a_limit_that_the_present_level_is_at_is_reached() -> None:
    forecast = (dated("foldback", 2.0, -20, -15, -10), dated("tolerance", 3.0, 5, 16, 29))
    assert [f.says for f in at_present(forecast, 2.0)] == ["reached", "expected"]
    assert list(at_present(forecast, float("nan"))) == list(forecast)


def test_other_limits_are_told_where_no_grave_one_is_known() -> None:
    [first, _] = forecast_sentences([dated("swr-1.5", 1.5, 1, 2, 3)], NOW_US)
    assert first.startswith("SWR 1.5 expected about 2026-02-03, between")


def test_why_nothing_can_be_said_is_said_once() -> None:
    why = "the trend is too weak"
    both = [LimitForecast("foldback", 2.5, why), LimitForecast("tolerance", 3.0, why)]
    assert forecast_sentences(both[:1], NOW_US) == [f"When foldback is reached cannot be said: {why}."]
    assert forecast_sentences(both, NOW_US) == [
        f"When foldback and tolerance are reached cannot be said: {why}."
    ]


def test_words_of_the_forecast_itself_read_on() -> None:
    weak = LimitForecast("foldback", 2.5, "cannot say: it does not rise steadily")
    far = LimitForecast("tolerance", 3.0, "not within a year at the present rate")
    assert forecast_sentences([weak, far], NOW_US) == [
        "When foldback is reached cannot be said: it does not rise steadily.",
        "Tolerance is not reached within a year at the present rate.",
    ]


def test_a_date_that_has_passed_leaves_no_time() -> None:
    assert len(forecast_sentences([dated("foldback", 2.5, -9, -3, 4)], NOW_US)) == 1


def test_the_forecast_stands_in_the_text() -> None:
    key = AlarmKey("amber", "a1", Condition.SWR_RISING)
    text = sentence(changed(key, forecast=(dated("foldback", 2.5, 19, 29, 42),)))
    assert "Foldback (SWR 2.5) expected about 2026-03-02" in text
    assert text.index("Time left until foldback") < text.index("plan a visit")


@pytest.mark.parametrize(
    ("days", "words"),
    [(0.5, "12 hours"), (2, "2 days"), (20, "20 days"), (21, "3 weeks"), (90, "13 weeks"), (120, "4 months")],
)
def test_spans_are_told_as_people_plan(days: float, words: str) -> None:
    assert span(round(days * DAY_US)) == words


# Figures ------------------------------------------------------------------------------------------------

FIGURES: dict[str, Any] = {
    "swr": 1.8,
    "swr_at_antenna": 2.2,
    "return_loss_db": 10.88,
    "baseline_return_loss_db": 20.83,
    "baseline_swr": 1.2,
    "baseline_kind": "full",
    "change_rho": 0.19,
    "limit_change_rho": 0.03,
    "days_away": 4,
    "forward_w": 40.0,
    "baseline_forward_w": 95.0,
    "change_db": -3.756,
    "bursts": 12,
    "burst_share": 0.083,
    "wet_excess_rho": 0.08,
    "baseline_wet_excess_rho": 0.02,
    "why": "reflected power has been 0.0 W for 3 days",
    "lost_db": 0.81,
    "lost_db_baseline": 0.27,
    "antenna_line": "main",
    "temperature_c": -3.2,
    "limit_swr": 1.5,
    "reflected_w": 3.27,
    "last_report_us": NOW_US,
    "kept_until_us": NOW_US,
    "late_s": 754.0,
    "limit_s": 300.0,
    "down_s": 75.2,
    "connections": "watch, watch-notify",
    "free_bytes": 4_300_000_000,
    "total_bytes": 100_000_000_000,
    "limit_free_bytes": 5_000_000_000,
    "store_bytes": 31_240_000_000,
    "growth_bytes_a_day": 512_000_000.0,
    "days_until_full": 8.4,
    "failed_us": NOW_US,
    "succeeded_us": NOW_US - DAY_US,
    "interval_s": 3600.0,
    "step_s": -7200.0,
    "waiting": 12,
    "waiting_s": 8000.0,
    "dead": 1,
}

ENDS = "SWR 1.80:1 at the transmitter, 2.20:1 at the antenna"
LEVELS = "return loss 10.9 dB against a full baseline of 20.8 dB"
POWER = f"40.0 W forward against 95.0 W in the baseline (-3.8 dB), {ENDS}, 1.20:1 in the baseline, at -3 °C."
SAID = {
    Condition.SWR_HIGH: f"{ENDS} (limit 1.50:1), 40.0 W forward, 3.27 W reflected.",
    Condition.SWR_RISING: f"R{LEVELS[1:]}, {ENDS}, for 4 days in a row.",
    Condition.SWR_STEP: f"{ENDS}, 1.20:1 before, {LEVELS}, at -3 °C.",
    Condition.SWR_INTERMITTENT: f"12 bursts, 8.3% of the readings in them, {ENDS}, 1.20:1 in the baseline.",
    Condition.SWR_WEATHER: "Wet hours read 0.080 more in rho than dry ones, 0.020 in the baseline, "
    f"{ENDS}, 1.20:1 in the baseline, at -3 °C.",
    Condition.FEEDER_LOSS_RISING: f"R{LEVELS[1:]}, {ENDS}, 1.20:1 in the baseline.",
    Condition.FORWARD_POWER_LOW: POWER,
    Condition.FOLDBACK_ACTIVE: POWER,
    Condition.MEASUREMENT_SUSPECT: f"{ENDS}, 40.0 W forward.",
    Condition.REPORTS_MISSING: "Last report 2026-02-01 00:00:00 UTC.",
    Condition.SITE_UNREACHABLE: "Last report 2026-02-01 00:00:00 UTC.",
    Condition.INTAKE_LATE: "Reports are kept up to 2026-02-01 00:00:00 UTC, 13 minutes behind, "
    "limit 5 minutes.",
    Condition.BROKER_LOST: "No connection for 75 seconds, connections that are down: watch, watch-notify.",
    Condition.STORE_FILLING: "4.3 GB of 100.0 GB free (limit 5.0 GB), the store holds 31.2 GB, "
    "grows by 512.0 MB a day, full in about 8 days.",
    Condition.JOB_MISSED: "Failed 2026-02-01 00:00:00 UTC, last success 2026-01-31 00:00:00 UTC, "
    "should run every 60 minutes.",
    Condition.CLOCK_JUMPED: "It went back by 2 hours against the time that passed.",
    Condition.CHANNEL_FAILING: "12 messages waiting, the oldest for 2 hours, 1 message given up on in the "
    "last week.",
}
TIMES = ("last_report_us", "kept_until_us", "failed_us", "succeeded_us")
WHY = "Reflected power has been 0.0 W for 3 days."
LOST = "0.8 dB lost between transmitter and antenna at this match, 0.3 dB when new."


@pytest.mark.parametrize("condition", Condition)
def test_every_condition_tells_its_figures_and_what_they_cost(condition: Condition) -> None:
    parts = [SAID[condition], WHY]
    if condition is Condition.MEASUREMENT_SUSPECT:
        parts.reverse()
    assert detail(condition, FIGURES) == " ".join([*parts, LOST])


@pytest.mark.parametrize("condition", Condition)
def test_no_figures_are_no_sentence(condition: Condition) -> None:
    assert detail(condition, {}) == ""
    assert detail(condition, dict.fromkeys(FIGURES)) == ""
    assert detail(condition, dict.fromkeys(FIGURES, math.nan)) == ""


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(Condition),
    st.dictionaries(
        st.sampled_from([name for name in FIGURES if name not in TIMES]),
        st.none() | st.booleans() | st.integers(-(2**52), 2**52) | st.floats() | st.text(max_size=5),
    ),
)
def test_figures_of_any_kind_are_told_or_left_out(condition: Condition, values: dict[str, Any]) -> None:
    text = detail(condition, values)
    numbers_only = {name: value for name, value in values.items() if not isinstance(value, str)}
    for word in ("nan", "None", "True", "False", "unknown"):
        assert word not in detail(condition, numbers_only | {"why": None})
    assert text == "" or text.endswith(".")


def test_loss_when_new_is_left_out_where_it_is_not_known() -> None:
    values = {"lost_db": 0.81}
    assert (
        detail(Condition.SWR_RISING, values) == "0.8 dB lost between transmitter and antenna at this match."
    )


def test_a_level_that_was_carried_through_no_known_feeder_is_not_told() -> None:
    assert "antenna" not in detail(
        Condition.SWR_RISING, {"swr": 1.8, "swr_at_antenna": 1.8, "feeder_loss_known": False}
    )


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "0 seconds"),
        (1.0, "1 second"),
        (119.0, "119 seconds"),
        (120.0, "2 minutes"),
        (7199.0, "120 minutes"),
        (7200.0, "2 hours"),
        (86_400.0 * 3, "3 days"),
    ],
)
def test_lengths_of_time(seconds: float, words: str) -> None:
    assert lasting(seconds) == words


@pytest.mark.parametrize(
    ("size", "words"),
    [(0, "0 B"), (999, "999 B"), (1000, "1.0 kB"), (2.5e6, "2.5 MB"), (-3e9, "-3.0 GB"), (4e15, "4000.0 TB")],
)
def test_sizes(size: float, words: str) -> None:
    assert data_size(size) == words


# What to do first ---------------------------------------------------------------------------------------


def test_there_is_a_first_step_for_every_condition() -> None:
    assert set(FIRST_STEP) == set(Condition)


@pytest.mark.parametrize(
    "condition",
    [
        Condition.SWR_STEP,
        Condition.SWR_INTERMITTENT,
        Condition.SWR_WEATHER,
        Condition.FEEDER_LOSS_RISING,
        Condition.MEASUREMENT_SUSPECT,
    ],
)
def test_work_on_the_line_comes_with_its_caution(condition: Condition) -> None:
    assert first_step(condition, Severity.MINOR, is_group=False).endswith(OFF_THE_AIR)
    assert "Never open a connector with the transmitter on the air" in OFF_THE_AIR


@pytest.mark.parametrize("condition", sorted(SERVICE_CONDITIONS))
def test_the_service_itself_needs_no_caution_of_the_trade(condition: Condition) -> None:
    step = first_step(condition, Severity.MAJOR, is_group=False)
    assert step.endswith(".")
    for word in ("connector", "climb", "transmitter", "on the air", "line."):
        assert word not in step


def test_a_group_with_a_dangerous_swr_is_told_to_look_at_what_it_shares() -> None:
    alone = sentence(changed(AlarmKey("amber", "a1", Condition.SWR_HIGH), severity=Severity.CRITICAL))
    group = sentence(changed(SITE, severity=Severity.CRITICAL, members=("amber/a1", "amber/a2")))
    assert "Reduce its power or take it off the air" in alone
    assert "Reduce their power or take them off the air" in group
    assert "antenna, feeder, combiner" in group
