"""What is noted while a history is replayed: it changes nothing, is what was planted, and can be drawn."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import vl_convert

from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.interface import LimitForecast, Maintenance
from standingwatch.detect.levels import WET
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet, Readings
from standingwatch.watch.episodes import concerns, episodes, time_us_of
from standingwatch.watch.explain import Course, Recorder
from standingwatch.watch.explain_chart import draw
from standingwatch.watch.explain_lanes import LANE_PX, Lane, Span, lanes_of, place
from standingwatch.watch.explain_match import level_at
from standingwatch.watch.explain_pieces import WIDTH, Picture, axes_of
from standingwatch.watch.explain_table import HEADINGS, table
from standingwatch.watch.explain_words import ToldForecast, headline, last_forecast
from standingwatch.watch.replay import Replay

DAY_US = 86_400_000_000
START_US = time_us_of("2026-01-01T00:00:00Z")
DAYS, PER_DAY = 46, 48
BASE_RHO, FORWARD_W = 0.1, 50.0

#: The transmitters by position: rises from day 25 on, was retuned on day 20, healthy and never keyed.
RISES, RETUNED, SILENT = 0, 1, 2


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    text = (
        "site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db,foldback_swr,tolerance_swr,expected_interval_s\n"
        "amber,a1,446,50,1,2.0,3.0,1800\namber,a2,447,50,1,2.0,3.0,1800\nbirch,b1,448,50,1,2.0,3.0,1800\n"
    )
    inventory = read_inventory_text(text, "fleet.csv")
    assert inventory.errors == ()
    return build_fleet(inventory.rows, np.arange(len(inventory.rows)), FleetDefaults())


@pytest.fixture(scope="module")
def history() -> Readings:
    """Half-hourly readings; day 10 is wet from noon on, 5 degrees throughout but for freezing day 5."""
    rng = np.random.default_rng(11)
    day = np.arange(DAYS * PER_DAY) / PER_DAY
    parts = []
    for position in (RISES, RETUNED):
        rho = BASE_RHO + rng.normal(0, 0.002, len(day))
        if position == RISES:
            rho += np.clip(day - 25, 0, None) * 0.012
        else:
            rho += np.where(day > 20, 0.08, 0.0)
        forward_w = np.where((day > 30) & (position == RETUNED), 25.0, FORWARD_W)
        parts.append(
            {
                "transmitter": np.full(len(day), position),
                "time_us": START_US + np.arange(len(day)) * (DAY_US // PER_DAY) + position,
                "forward_w": forward_w,
                "reflected_w": forward_w * rho**2,
                "keyed": np.ones(len(day)),
                "ambient_temperature_c": np.where((day >= 5) & (day < 6), -4.0, 5.0),
                "precipitation": np.where((day >= 10.5) & (day < 11), 1.0, 0.0),
            }
        )
    columns = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    return Readings.from_columns(columns).sorted_by_time()


@pytest.fixture(scope="module")
def work() -> Maintenance:
    start = START_US + 20 * DAY_US
    return Maintenance(
        np.array([RETUNED]), np.array([start - 3_600_000_000]), np.array([start]), np.array([True])
    )


def replayed(
    fleet: Fleet, history: Readings, work: Maintenance, recorder: Recorder | None, rows: int = 10_000
) -> tuple[str, str]:
    """The texts of alarms.jsonl and visits.jsonl."""
    alarms, visits = io.StringIO(), io.StringIO()
    replay = Replay(fleet, DetectionSettings(), work, 120.0, alarms, visits, recorder)
    for begin in range(0, len(history), rows):
        replay.feed(history.take(slice(begin, begin + rows)))
    replay.finish()
    return alarms.getvalue(), visits.getvalue()


def recorder_of(fleet: Fleet) -> Recorder:
    return Recorder(fleet, [SILENT, RISES, RETUNED], DetectionSettings().detectors.departure)


@pytest.fixture(scope="module")
def noted(fleet: Fleet, history: Readings, work: Maintenance) -> tuple[list[Course], list[dict[str, Any]]]:
    """Courses, and the lines of alarms.jsonl."""
    recorder = recorder_of(fleet)
    alarms, _ = replayed(fleet, history, work, recorder)
    return recorder.courses(), [json.loads(line) for line in alarms.splitlines()]


# Noting -------------------------------------------------------------------------------------------------


def test_noting_changes_no_alarm_and_no_visit(fleet: Fleet, history: Readings, work: Maintenance) -> None:
    plain = replayed(fleet, history, work, None)
    assert "swr-rising" in plain[0]
    assert plain[1]
    assert replayed(fleet, history, work, recorder_of(fleet)) == plain
    # Nor where the stream is cut otherwise, in the middle of hours and days.
    assert replayed(fleet, history, work, recorder_of(fleet), rows=37) == plain


def test_how_the_stream_is_cut_changes_nothing_noted(
    fleet: Fleet, history: Readings, work: Maintenance, noted: tuple[list[Course], Any]
) -> None:
    recorder = recorder_of(fleet)
    replayed(fleet, history, work, recorder, rows=37)
    for once, cut in zip(noted[0], recorder.courses(), strict=True):
        assert once.changes == cut.changes
        for part in ("hours", "days"):
            for name, values in vars(getattr(once, part)).items():
                np.testing.assert_array_equal(values, getattr(getattr(cut, part), name), err_msg=name)


def test_days_are_as_planted(noted: tuple[list[Course], Any]) -> None:
    rises, retuned, silent = noted[0]
    assert [c.position for c in noted[0]] == [RISES, RETUNED, SILENT]
    assert len(silent.hours.hour_us) == 0
    assert np.isnan(silent.days.rho).all()
    days = rises.days
    # The last day has not closed, for nothing came after it.
    assert days.number.tolist() == [START_US // DAY_US + n for n in range(DAYS - 1)]
    planted = BASE_RHO + np.clip(np.arange(DAYS - 1) + 0.5 - 25, 0, None) * 0.012
    dry = np.isfinite(days.rho)
    np.testing.assert_allclose(days.rho[dry], planted[dry], atol=0.003)
    assert abs(days.baseline_rho[-1] - BASE_RHO) < 0.002
    # The present level is the median of three days: that of the day before the last.
    assert abs(days.change_rho[-1] - (planted[-2] - BASE_RHO)) < 0.004
    assert days.days_away[-1] == 16
    assert days.days_away[20] == 0
    assert np.all(days.limit_rho[days.baseline_kind == 2] >= DetectionSettings().baseline.smallest_spread_rho)
    np.testing.assert_allclose(days.power_db, 10 * np.log10(FORWARD_W), atol=1e-9)
    assert abs(retuned.days.power_db[35] - 10 * np.log10(25.0)) < 1e-9
    assert days.temperature_c[3] == 5.0
    assert days.temperature_c[20] == 5.0


def test_weather_and_hours_are_as_planted(noted: tuple[list[Course], Any]) -> None:
    hours = noted[0][0].hours
    assert len(hours.hour_us) == (DAYS - 1) * 24 + 23
    assert set(hours.usable.tolist()) == {2}
    # Wet from noon of day 10 on, and for some hours of drying.
    wet = (hours.hour_us[hours.wet >= WET] - START_US) / DAY_US
    assert wet.min() == 10.5
    assert 11.0 < wet.max() < 11.5
    # Freezing without precipitation ices nothing where sites tell precipitation.
    assert not hours.frost.any()
    assert noted[0][0].days.wet_hours[10] == 12


def test_changes_of_the_baseline_come_with_their_reasons(noted: tuple[list[Course], Any]) -> None:
    rises, retuned, silent = noted[0]
    kinds = [change.kind for change in retuned.changes]
    assert kinds[:4] == ["provisional", "full", "opened", "provisional"]
    assert retuned.changes[2].reason == "a visit or retune ended"
    assert retuned.changes[2].time_us == START_US + 20 * DAY_US
    assert abs(retuned.changes[3].rho - (BASE_RHO + 0.08)) < 0.003
    assert "opened" not in [change.kind for change in rises.changes]
    assert silent.changes == ()


# Alarms as episodes -------------------------------------------------------------------------------------


def line(time: str, severity: str, **other: Any) -> dict[str, Any]:
    return {
        "time": time,
        "site": "amber",
        "transmitter": "a1",
        "region": "",
        "condition": "swr-high",
        "severity": severity,
        "members": [],
        "forecast": [],
        "likely_causes": [],
        **other,
    }


def test_an_episode_lasts_from_raised_to_cleared() -> None:
    first, second = episodes(
        [
            line("2026-01-02T00:00:00Z", "minor"),
            line("2026-01-02T06:00:00.000001Z", "critical"),
            line("2026-01-03T00:00:00Z", "cleared"),
            line("2026-01-05T00:00:00Z", "warning"),
        ]
    )
    assert first.steps == [
        (START_US + DAY_US, "minor"),
        (START_US + DAY_US + 6 * 3_600_000_000 + 1, "critical"),
    ]
    assert (first.end_us, first.gravest, second.end_us) == (START_US + 2 * DAY_US, "critical", None)
    assert first.gravest_between(START_US + DAY_US, START_US + DAY_US + 1) == "minor"
    assert not first.overlaps(START_US, START_US + DAY_US)
    assert second.overlaps(START_US + 9 * DAY_US, START_US + 10 * DAY_US)


def test_a_group_is_an_alarm_of_each_member_while_it_is_one() -> None:
    group = {"transmitter": "", "members": ["amber/a1", "amber/a2"]}
    lines = [
        line("2026-01-02T00:00:00Z", "minor", **group),
        line("2026-01-03T00:00:00Z", "minor", **{**group, "members": ["amber/a2", "amber/a3"]}),
        line("2026-01-04T00:00:00Z", "cleared", **group),
        line("2026-01-05T00:00:00Z", "major", transmitter="", condition="site-unreachable"),
        line("2026-01-05T00:00:00Z", "major", transmitter="a2"),
    ]
    mine = episodes(lines, concerns("amber", "a1"))
    assert [(e.key[3], e.end_us) for e in mine] == [
        ("swr-high", START_US + 2 * DAY_US),
        ("site-unreachable", None),
    ]
    assert len(episodes(lines, concerns("birch", "a1"))) == 0


# Table --------------------------------------------------------------------------------------------------


def test_the_table_has_a_row_per_day(noted: tuple[list[Course], list[dict[str, Any]]]) -> None:
    courses, lines = noted
    found = episodes(lines, concerns("amber", "a1"))
    rows = list(csv.DictReader(io.StringIO(table(courses[0], found, "amber/a1"))))
    assert tuple(rows[0]) == HEADINGS
    assert [rows[0]["date"], rows[-1]["date"]] == ["2026-01-01", "2026-02-14"]
    assert len(rows) == DAYS - 1
    assert rows[3]["usable_hours"] == "24"
    assert rows[3]["alarms"] == ""
    assert "swr-rising" in rows[-1]["alarms"]
    rho = float(rows[-1]["level_rho"])
    assert float(rows[-1]["level_swr"]) == pytest.approx((1 + rho) / (1 - rho), abs=0.001)
    assert float(rows[3]["forward_power_dbw"]) == pytest.approx(16.99, abs=0.001)
    silent = list(csv.DictReader(io.StringIO(table(courses[2], [], "birch/b1"))))
    assert (silent[0]["usable_hours"], silent[0]["level_swr"], silent[0]["baseline_kind"]) == (
        "0",
        "",
        "none",
    )


# Lanes --------------------------------------------------------------------------------------------------


def px_of(time_us: int) -> float:
    return (time_us - START_US) / (10 * DAY_US) * WIDTH


def test_words_never_touch_and_bars_are_never_lost() -> None:
    spans = [
        Span(START_US + hour * 3_600_000_000, START_US + hour * 3_600_000_000 + 60_000_000, "major", "major")
        for hour in (0, 1, 2, 30, 90, 239)
    ]
    bars, marks = place([Lane("swr-high", spans)], px_of, WIDTH)
    assert len(bars) == len(spans)
    assert all(px_of(bar.end_us) - px_of(bar.start_us) >= 1.99 for bar in bars)
    assert all(0 <= bar.top < bar.bottom <= LANE_PX for bar in bars)
    starts = [px_of(mark.time_us) for mark in marks]
    ends = [at + 11 + 5.2 * len(mark.word) for at, mark in zip(starts, marks, strict=True)]
    assert all(end <= start for end, start in zip(ends[:-1], starts[1:], strict=True))
    assert ends[-1] <= WIDTH
    assert [mark.word for mark in marks] == ["", "major", "major"]


def test_severities_differ_without_colour() -> None:
    lane = Lane(
        "x", [Span(START_US, START_US + DAY_US, s, s) for s in ("warning", "minor", "major", "critical")]
    )
    bars, _ = place([lane], px_of, WIDTH)
    assert len({bar.bottom - bar.top for bar in bars}) == 4


def test_lanes_show_what_bears_on_the_alarms(
    noted: tuple[list[Course], list[dict[str, Any]]], work: Maintenance
) -> None:
    course = noted[0][RETUNED]
    windows = [(int(work.start_us[0]), int(work.end_us[0]), "visit or retune")]
    lanes = {lane.name: lane.spans for lane in lanes_of(course, [], windows, START_US + DAYS * DAY_US)}
    assert list(lanes) == ["baseline", "work on record", "wet"]
    assert [s.style for s in lanes["baseline"]][:4] == ["provisional", "full", "learning", "provisional"]
    (wet,) = lanes["wet"]
    assert (wet.start_us - START_US) / DAY_US == 10.5


# Words --------------------------------------------------------------------------------------------------


def test_the_headline_tells_the_gravest_alarm_that_stands() -> None:
    group = {"transmitter": "", "members": ["amber/a1", "amber/a2", "amber/a3"]}
    standing = episodes(
        [
            line("2026-01-02T00:00:00Z", "warning"),
            line("2026-01-03T00:00:00Z", "major", condition="swr-rising", **group),
        ]
    )
    assert headline("amber/a1", standing) == (
        "amber/a1: SWR rising against its own baseline (swr-rising), major, raised 2026-01-03, with 2 others "
        "of site amber; 1 more alarm stands."
    )
    over = episodes([line("2026-01-02T00:00:00Z", "minor"), line("2026-01-04T00:00:00Z", "cleared")])
    assert headline("amber/a1", over) == "amber/a1: no alarm stands; the last one ended 2026-01-04."
    assert headline("amber/a1", []) == "amber/a1: no alarm stands."


def test_the_last_forecast_is_that_of_the_last_line_with_one() -> None:
    entry = {
        "limit": "foldback",
        "swr": 2.0,
        "says": "expected",
        "earliest": "2026-02-01T00:00:00Z",
        "expected": "2026-02-10T00:00:00Z",
        "latest": None,
    }
    lines = [
        line("2026-01-10T00:00:00Z", "minor", forecast=[{**entry, "swr": 3.0}]),
        line("2026-01-12T00:00:00Z", "major", forecast=[entry]),
        line("2026-01-14T00:00:00Z", "cleared"),
    ]
    told = last_forecast(lines)
    assert told is not None
    assert (told.told_us, told.about) == (START_US + 11 * DAY_US, "amber/a1")
    assert told.limits == (
        LimitForecast("foldback", 2.0, "expected", START_US + 31 * DAY_US, START_US + 40 * DAY_US, None),
    )
    assert last_forecast(lines[-1:]) is None


# Chart --------------------------------------------------------------------------------------------------


def picture_of(noted: tuple[list[Course], list[dict[str, Any]]], position: int, name: str) -> Picture:
    courses, lines = noted
    about = concerns(*name.split("/"))
    return Picture(
        name=name,
        course=courses[position],
        episodes=episodes(lines, about),
        told=last_forecast([x for x in lines if about(x)]),
        foldback_swr=2.0,
        tolerance_swr=3.0,
        work=[],
        last_us=START_US + DAYS * DAY_US - 1,
    )


def texts_of(svg: str) -> list[str]:
    return [element.text or "" for element in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def test_the_chart_says_what_goes_on(noted: tuple[list[Course], list[dict[str, Any]]]) -> None:
    picture = picture_of(noted, RISES, "amber/a1")
    assert picture.told is not None
    svg = draw(picture)
    root = ET.fromstring(svg)
    assert root.get("role") == "img"
    assert (root[0].tag.rpartition("}")[2], root[0].text) == ("title", headline("amber/a1", picture.episodes))
    texts = texts_of(svg)
    for wanted in ("SWR at the transmitter", "return loss, dB", "SWR 2, foldback", "SWR 3, tolerance"):
        assert wanted in texts, wanted
    assert {"swr-rising", "baseline", "wet"} <= set(texts)
    assert any(text.startswith("(1) ") and "from the first 6 usable hours" in text for text in texts)
    # Nothing in it is fetched by whoever shows it.
    assert {v for e in root.iter() for k, v in e.attrib.items() if k.endswith(("href", "src"))} <= {
        v for e in root.iter() for k, v in e.attrib.items() if v.startswith("#")
    }


def test_the_forecast_starts_at_the_level_of_its_day(
    noted: tuple[list[Course], list[dict[str, Any]]],
) -> None:
    picture = picture_of(noted, RISES, "amber/a1")
    told_us = START_US + 40 * DAY_US + 600_000_000
    # Told after day 39 had closed: the median of days 37 to 39 is that of day 38.
    assert level_at(picture.course, told_us) == pytest.approx(BASE_RHO + 0.012 * (38.5 - 25), abs=0.004)
    assert np.isnan(level_at(picture.course, START_US))
    limits = (
        LimitForecast("swr-2", 2.0, "expected", *(START_US + d * DAY_US for d in (48, 50)), None),
        LimitForecast("foldback", 2.0, "expected", *(START_US + d * DAY_US for d in (48, 50)), None),
    )
    texts = texts_of(draw(replace(picture, told=ToldForecast(told_us, "swr-rising", "amber/a1", limits))))
    # One SWR is told once, by the limit's own name; 12 January is day 11, so day 50 is 20 February.
    assert texts.count("foldback: 20 Feb (18 Feb or never)") == 2  # once as a halo
    assert not any(text.startswith("SWR 2: ") for text in texts)
    assert "last reading" in texts


def test_axes_hold_what_has_to_be_seen(noted: tuple[list[Course], list[dict[str, Any]]]) -> None:
    picture = replace(picture_of(noted, RISES, "amber/a1"), told=None)
    axes = axes_of(picture)
    assert (axes.start_us, axes.end_us) == (START_US, picture.last_us)
    assert axes.top_rho > 0.5  # the tolerance, 3:1
    assert axes_of(replace(picture, tolerance_swr=np.nan, foldback_swr=9.0)).top_rho < 0.5
    far = LimitForecast("foldback", 2.0, "expected", *(START_US + d * DAY_US for d in (100, 500, 900)))
    late = axes_of(replace(picture, told=ToldForecast(START_US, "swr-rising", "amber/a1", (far,))))
    assert late.end_us == picture.last_us + round(0.4 * (picture.last_us - START_US))


@pytest.mark.parametrize(("position", "name"), [(RETUNED, "amber/a2"), (SILENT, "birch/b1")])
def test_others_can_be_drawn_as_well(
    noted: tuple[list[Course], list[dict[str, Any]]], position: int, name: str
) -> None:
    texts = texts_of(draw(picture_of(noted, position, name)))
    assert any(text.startswith(name) for text in texts)
    assert ("No day could be compared with a baseline." in texts) == (position == SILENT)


def test_drawing_asks_nobody(
    noted: tuple[list[Course], list[dict[str, Any]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    specs: list[dict[str, Any]] = []
    options: list[dict[str, Any]] = []

    def take(spec: dict[str, Any], **others: Any) -> str:
        specs.append(spec)
        options.append(others)
        return "<svg></svg>"

    monkeypatch.setattr(vl_convert, "vegalite_to_svg", take)
    draw(picture_of(noted, RISES, "amber/a1"))
    assert options == [{"allowed_base_urls": []}]
    assert '"url"' not in json.dumps(specs)
