"""Alarms about regions and groups through replay's files and the live watch."""

from __future__ import annotations

import io
import json

import numpy as np
from prometheus_client import CollectorRegistry

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.alarms.notice import ChannelRules, Told
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.interface import LikelyCause, LimitForecast, Maintenance
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.review.proposals import Proposal
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.outbox import waiting_messages
from standingwatch.store.sites import replace_site_list
from standingwatch.store.telling import save_told
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions
from standingwatch.watch.replay import Replay, visit_line

INVENTORY = (
    "site,transmitter,frequency_mhz,region\namber,a1,446,north\namber,a2,447,north\nbirch,b1,446,north\n"
)
NOW_US = 1_769_904_000_000_000
NORTH, SOUTH = (AlarmKey("", "", Condition.SWR_WEATHER, region) for region in ("north", "south"))
MEMBERS = ("amber/a1", "birch/b1")
CAUSES = (LikelyCause(Cause.REGIONAL_WEATHER, 0.7, "sites far apart move together"),)
FORECAST = (LimitForecast("foldback", 2.5, "expected", NOW_US, NOW_US + 1_000_000, None),)


def test_lines_of_a_replay_name_region_members_and_forecast() -> None:
    rows = read_inventory_text(INVENTORY, "fleet.csv").rows
    fleet = build_fleet(rows, np.arange(len(rows)), FleetDefaults())
    out = io.StringIO()
    replay = Replay(fleet, DetectionSettings(), Maintenance.none(), 120.0, out, io.StringIO())
    line_key = AlarmKey("amber", "a1", Condition.SWR_RISING)
    found = [
        Evidence(NORTH, Severity.MINOR, NOW_US, {}, CAUSES, MEMBERS),
        Evidence(line_key, Severity.MINOR, NOW_US, {}, (), (), FORECAST),
    ]
    replay._write(apply_all({}, found, NOW_US))
    region, alone = (json.loads(line) for line in out.getvalue().splitlines())
    assert (region["site"], region["transmitter"], region["region"]) == ("", "", "north")
    assert (region["members"], region["forecast"]) == (list(MEMBERS), [])
    assert region["likely_cause"] == "regional-weather"
    assert (alone["site"], alone["transmitter"], alone["region"]) == ("amber", "a1", "")
    assert alone["members"] == []
    assert alone["forecast"] == [
        {
            "limit": "foldback",
            "swr": 2.5,
            "says": "expected",
            "earliest": "2026-02-01T00:00:00Z",
            "expected": "2026-02-01T00:00:01Z",
            "latest": None,
        }
    ]


def test_a_visit_for_a_group_lists_its_members() -> None:
    visit = Proposal("amber", "", Condition.SWR_HIGH, Cause.UNKNOWN, "at-once", NOW_US, MEMBERS)
    assert visit_line(visit)["members"] == list(MEMBERS)


def test_the_watch_ends_alarms_of_regions_that_are_gone_and_no_others(store: Store) -> None:
    found = [Evidence(key, Severity.MINOR, NOW_US, {}, CAUSES, MEMBERS) for key in (NORTH, SOUTH)]
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(INVENTORY, "fleet.csv").rows, NOW_US)
        save_changes(connection, apply_all({}, found, NOW_US), "test")
        save_told(connection, [("log", key, Told(Severity.MINOR, 1, NOW_US)) for key in (NORTH, SOUTH)])
    metrics = Metrics(CollectorRegistry())
    log = DeskOptions((ChannelRules("log", is_calm=False),), source="test")
    options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=log)
    watch = Watch(store, options, metrics, lambda: NOW_US + 1)
    watch.make_pass()
    watch.make_pass()
    with store.reading() as connection:
        alarms = load_alarms(connection)
        [message] = waiting_messages(connection, "log")
    assert {key: alarm.is_cleared for key, alarm in alarms.items()} == {NORTH: False, SOUTH: True}
    assert message.subject.region == "south"
    assert "No longer in the site list." in json.loads(message.body)["data"]["text"]
    labels = {"site": "", "transmitter": "", "condition": "swr-weather", "service": ""}
    shown = [
        metrics.registry.get_sample_value("standingwatch_alarm_severity", {**labels, "region": region})
        for region in ("north", "south")
    ]
    assert shown == [4, None]
