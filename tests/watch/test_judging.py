"""From findings with positions to evidence with names."""

from __future__ import annotations

import numpy as np
import pytest

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.interface import WHOLE_REGION, WHOLE_SITE, Finding, LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet
from standingwatch.watch.judging import to_evidence

SITES = """\
site,transmitter,frequency_mhz,region
amber,a1,446,north
amber,a2,447,north
birch,b1,446,
cedar,c1,446,south
"""
CAUSES = (LikelyCause(Cause.ICE, 0.6, "it freezes"),)
FORECAST = (LimitForecast("foldback", 2.5, "expected", 1, 2, 3),)


@pytest.fixture
def fleet() -> Fleet:
    rows = read_inventory_text(SITES, "fleet.csv").rows
    return build_fleet(rows, np.arange(len(rows)), FleetDefaults())


def test_each_kind_of_resource_gets_its_name(fleet: Fleet) -> None:
    findings = [
        Finding(0, 1, Condition.SWR_HIGH, Severity.MINOR, 1),
        Finding(1, WHOLE_SITE, Condition.SITE_UNREACHABLE, Severity.MAJOR, 2),
        Finding(
            WHOLE_REGION,
            WHOLE_SITE,
            Condition.SWR_WEATHER,
            Severity.WARNING,
            3,
            region=fleet.region_names.index("south"),
        ),
    ]
    assert [e.key for e in to_evidence(findings, fleet)] == [
        AlarmKey("amber", "a2", Condition.SWR_HIGH),
        AlarmKey("birch", "", Condition.SITE_UNREACHABLE),
        AlarmKey("", "", Condition.SWR_WEATHER, "south"),
    ]


def test_members_are_named_and_the_rest_is_carried_over(fleet: Fleet) -> None:
    finding = Finding(
        WHOLE_REGION,
        WHOLE_SITE,
        Condition.SWR_WEATHER,
        Severity.MINOR,
        7,
        {"swr": 1.9},
        CAUSES,
        region=0,
        members=(0, 1, 3),
        forecast=FORECAST,
    )
    [evidence] = to_evidence([finding], fleet)
    assert evidence.members == ("amber/a1", "amber/a2", "cedar/c1")
    assert (evidence.severity, evidence.time_us, evidence.values) == (Severity.MINOR, 7, {"swr": 1.9})
    assert (evidence.causes, evidence.forecast) == (CAUSES, FORECAST)
    [alone] = to_evidence([Finding(0, 0, Condition.SWR_HIGH, Severity.MINOR, 1)], fleet)
    assert (alone.members, alone.forecast) == ((), ())


def test_a_region_that_is_not_said_is_refused(fleet: Fleet) -> None:
    finding = Finding(WHOLE_REGION, WHOLE_SITE, Condition.SWR_WEATHER, Severity.MINOR, 1)
    with pytest.raises(ValueError, match="region -1, wanted 0 or more"):
        to_evidence([finding], fleet)
