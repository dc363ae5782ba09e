"""Assertions of the specification that code and tests name are written as the specification writes them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
KNOWN = frozenset(
    line
    for line in (TOP / "fixtures" / "sparkplug" / "assertions.txt").read_text().splitlines()
    if not line.startswith("#")
)
FILES = [
    *(TOP / "service" / "standingwatch" / "readings" / "sparkplug").glob("[!s]*.py"),
    TOP / "service" / "standingwatch" / "readings" / "sparkplug" / "sessions.py",
    TOP / "service" / "standingwatch" / "intake" / "sparkplug.py",
    *Path(__file__).parent.glob("test_*.py"),
]
NAME = re.compile(r"tck-id-[A-Za-z0-9-]+")


def test_there_are_as_many_as_the_specification_has() -> None:
    assert len(KNOWN) > 290


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_names(path: Path) -> None:
    if path == Path(__file__):
        return
    for name in NAME.findall(path.read_text(encoding="utf-8")):
        if name.endswith("-"):  # "..." stands for several
            assert any(known.startswith(name) for known in KNOWN), name
        else:
            assert name in KNOWN, name


#: What a host has to do, and the test that would fail if it did not.
HELD = {
    "intro-sparkplug-host-state": "test_state_of_the_host",
    "components-ph-state": "test_state_of_the_host",
    "host-topic-phid-birth-message": "test_what_the_broker_sees_of_a_connection",
    "host-topic-phid-birth-payload": "test_state",
    "host-topic-phid-birth-payload-timestamp": "test_state_of_the_host",
    "host-topic-phid-birth-qos": "test_state_of_the_host",
    "host-topic-phid-birth-required": "test_state_of_the_host",
    "host-topic-phid-birth-retain": "test_state_of_the_host",
    "host-topic-phid-birth-sub-required": "test_what_the_broker_sees_of_a_connection",
    "host-topic-phid-birth-topic": "test_state_of_the_host",
    "host-topic-phid-death-payload": "test_state",
    "host-topic-phid-death-payload-connect": "test_state_of_the_host",
    "host-topic-phid-death-payload-disconnect-clean": "test_state_of_the_host",
    "host-topic-phid-death-qos": "test_state_of_the_host",
    "host-topic-phid-death-required": "test_what_the_broker_sees_of_a_connection",
    "host-topic-phid-death-retain": "test_what_the_broker_sees_of_a_connection",
    "host-topic-phid-death-topic": "test_state_of_the_host",
    "message-flow-hid-sparkplug-state-message-delivered": "test_state_of_the_host",
    "message-flow-phid-sparkplug-clean-session-311": "test_what_the_broker_sees_of_a_connection",
    "message-flow-phid-sparkplug-clean-session-50": "test_restart_of_the_host",
    "message-flow-phid-sparkplug-state-publish": "test_what_the_broker_sees_of_a_connection",
    "message-flow-phid-sparkplug-state-publish-payload": "test_state",
    "message-flow-phid-sparkplug-state-publish-payload-timestamp": "test_state_of_the_host",
    "message-flow-phid-sparkplug-subscription": "test_what_the_broker_sees_of_a_connection",
    "operational-behavior-data-commands-ncmd-rebirth-name": "test_rebirth_request",
    "operational-behavior-data-commands-ncmd-rebirth-value": "test_rebirth_request",
    "operational-behavior-data-commands-ncmd-rebirth-verb": (
        "test_lost_birth_is_asked_for_and_what_came_is_kept"
    ),
    **{
        f"operational-behavior-edge-node-termination-host-action-ndeath-{what}": (
            "test_death_makes_node_and_devices_offline_and_stale"
        )
        for what in ("node-offline", "node-tags-stale", "devices-offline", "devices-tags-stale")
    },
    **{
        f"operational-behavior-edge-node-termination-host-action-ddeath-{what}": (
            "test_death_of_a_device_by_its_own_time"
        )
        for what in ("devices-offline", "devices-tags-stale")
    },
    **{
        f"operational-behavior-host-application-connect-{what}": "test_what_the_broker_sees_of_a_connection"
        for what in ("will", "will-qos", "will-retained", "birth", "birth-qos", "birth-retained")
    },
    **{
        f"operational-behavior-host-application-{what}": "test_state_of_the_host"
        for what in (
            *("connect-will-topic", "connect-will-payload", "connect-birth-topic", "connect-birth-payload"),
            *("termination", "death-topic", "death-payload", "death-qos", "death-retained"),
        )
    },
    "operational-behavior-host-reordering-param": "test_what_is_right",
    "operational-behavior-host-reordering-start": "test_order_is_restored_within_the_wait",
    "operational-behavior-host-reordering-success": "test_order_is_restored_within_the_wait",
    "operational-behavior-host-reordering-rebirth": (
        "test_missing_message_asks_for_births_when_the_wait_is_over"
    ),
    "operational-behavior-primary-application-state-with-multiple-servers-state": (
        "test_broker_away_for_a_while"
    ),
    "payloads-ncmd-qos": "test_what_the_broker_sees_of_a_connection",
    "payloads-ncmd-retain": "test_what_the_broker_sees_of_a_connection",
    "payloads-ncmd-seq": "test_rebirth_request",
    "payloads-ncmd-timestamp": "test_rebirth_request",
    "payloads-ndeath-bdseq": "test_will_of_an_older_session_changes_nothing",
    "payloads-sequence-num-incrementing": "test_numbers_go_round",
    "topics-ncmd-mqtt": "test_what_the_broker_sees_of_a_connection",
    "topics-ncmd-payload": "test_rebirth_request",
    "topics-ncmd-timestamp": "test_rebirth_request",
    "topics-ncmd-topic": "test_lost_birth_is_asked_for_and_what_came_is_kept",
}


@pytest.mark.parametrize("assertion", HELD)
def test_what_a_host_has_to_do_is_held_by_a_test(assertion: str) -> None:
    assert f"tck-id-{assertion}" in KNOWN
    tests = [
        *Path(__file__).parent.glob("test_*.py"),
        TOP / "tests" / "settings" / "test_settings_sparkplug.py",
    ]
    found = [path.name for path in tests if f"def {HELD[assertion]}(" in path.read_text(encoding="utf-8")]
    assert len(found) == 1
