from __future__ import annotations

from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings import (
    LinkTopic,
    ReportTopic,
    alarm_topic,
    event_topic,
    heartbeat_topic,
    link_filter,
    parse_topic,
    report_filter,
)

names = st.text(st.characters(exclude_characters="/+#\0", exclude_categories=["Cs"]), min_size=1)


@pytest.mark.parametrize(
    ("topic", "expected"),
    [
        ("standingwatch/report/varn-hill/tx1", ReportTopic("varn-hill", "tx1")),
        ("standingwatch/report/Varn Hill/tx 1", ReportTopic("Varn Hill", "tx 1")),
        ("standingwatch/link/varn-hill", LinkTopic("varn-hill")),
        ("standingwatch/report/varn-hill", None),
        ("standingwatch/report/varn-hill/tx1/more", None),
        ("standingwatch/report//tx1", None),
        ("standingwatch/report/varn-hill/", None),
        ("standingwatch/report/+/tx1", None),
        ("standingwatch/link/", None),
        ("standingwatch/link/varn-hill/tx1", None),
        ("standingwatch/event/varn-hill/tx1", None),
        ("standingwatch", None),
        ("standingwatch-report/a/b", None),
        ("standingwatch2/report/a/b", None),
        ("/standingwatch/report/a/b", None),
        ("", None),
    ],
)
def test_topics_are_read(topic: str, expected: object) -> None:
    got = parse_topic("standingwatch", topic)
    assert got == expected
    assert type(got) is type(expected)


def test_a_root_of_several_levels() -> None:
    assert parse_topic("radio/swr", "radio/swr/report/a/b") == ReportTopic("a", "b")
    assert parse_topic("radio/swr", "radio/report/a/b") is None


def test_filters_and_outgoing_topics() -> None:
    assert report_filter("standingwatch") == "standingwatch/report/+/+"
    assert link_filter("standingwatch") == "standingwatch/link/+"
    assert event_topic("standingwatch", "varn-hill", "tx1") == "standingwatch/event/varn-hill/tx1"
    assert event_topic("standingwatch", "varn-hill", "") == "standingwatch/event/varn-hill"
    assert heartbeat_topic("standingwatch") == "standingwatch/heartbeat"
    assert alarm_topic("standingwatch", "varn-hill", "tx1") == "standingwatch/alarm/varn-hill/tx1"
    assert alarm_topic("standingwatch", "varn-hill", "") == "standingwatch/alarm/varn-hill"


def test_topics_of_a_region() -> None:
    assert event_topic("standingwatch", "", "", "Coast north") == "standingwatch/event-region/Coast north"
    assert alarm_topic("standingwatch", "", "", "Küste") == "standingwatch/alarm-region/Küste"
    assert alarm_topic("r", "", "", "A/B+C#1 100%") == "r/alarm-region/A%2FB%2BC%231 100%25"
    assert event_topic("r", "", "", "a\0b\x7f") == "r/event-region/a%00b%7F"
    with pytest.raises(ValueError, match="topic root"):
        event_topic("r/", "", "", "Coast")


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_name_of_a_region_is_one_level_and_comes_back(region: str) -> None:
    start, _, level = event_topic("r", "", "", region).rpartition("/")
    assert start == "r/event-region"
    assert level
    assert not set(level) & set("/+#\0")
    assert unquote(level, errors="strict") == region


@given(names, names)
def test_a_report_topic_gives_back_its_names(site: str, transmitter: str) -> None:
    assert parse_topic("r", f"r/report/{site}/{transmitter}") == ReportTopic(site, transmitter)


@given(st.text())
def test_no_topic_makes_the_reader_raise(topic: str) -> None:
    got = parse_topic("r", topic)
    assert got is None or topic in (f"r/link/{got.site}", f"r/report/{'/'.join(got)}")


@pytest.mark.parametrize("root", ["", "/r", "r/", "a//b", "r/#", "+", "a\0b"])
def test_a_root_that_cannot_begin_a_topic_is_refused(root: str) -> None:
    for function in (report_filter, link_filter):
        with pytest.raises(ValueError, match="topic root"):
            function(root)
    with pytest.raises(ValueError, match="topic root"):
        parse_topic(root, "r/report/a/b")
    with pytest.raises(ValueError, match="topic root"):
        event_topic(root, "a", "b")


@pytest.mark.parametrize("bad", ["a/b", "a+", "#", "a\0"])
def test_a_name_that_cannot_be_a_level_is_refused(bad: str) -> None:
    with pytest.raises(ValueError, match="event topic: site name"):
        event_topic("r", bad, "tx1")
    with pytest.raises(ValueError, match="alarm topic: transmitter name"):
        alarm_topic("r", "a", bad)
    with pytest.raises(ValueError, match="site name '' is empty"):
        alarm_topic("r", "", "tx1")
