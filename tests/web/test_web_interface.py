"""The descriptions of the MQTT interface that the service itself gives."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from jsonschema import Draft7Validator

from standingwatch.alarms.asyncapi import asyncapi
from standingwatch.alarms.wire_schema import event_schema
from standingwatch.readings.report_schema import report_schema


def test_they_are_those_of_the_commands(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill, topic_root="north/rf", time_required=False)
    answers = {
        name: client.get(f"/api/{name}.json") for name in ("asyncapi", "report-schema", "event-schema")
    }
    assert {answer.headers["content-type"] for answer in answers.values()} == {"application/json"}
    assert answers["asyncapi"].json() == asyncapi("north/rf", time_required=False)
    assert answers["report-schema"].json() == report_schema(time_required=False)
    assert answers["event-schema"].json() == event_schema()
    Draft7Validator.check_schema(answers["event-schema"].json())


@pytest.mark.parametrize("name", ["asyncapi", "report-schema", "event-schema"])
def test_nobody_gets_them_without_signing_in(fill: Any, client_of: Callable[..., Any], name: str) -> None:
    assert client_of(fill, signed_in=False).get(f"/api/{name}.json").status_code == 401
