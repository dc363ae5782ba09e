"""The API against its own description: answers to what fits it, to what does not, and to what comes of it.

The stream of news (`/events/board`) is left out: an answer that does not end has no body to hold against a
description, and it is none of the API. `test_web_board.py` asks it.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from prometheus_client import CollectorRegistry
from schemathesis.checks import load_all_checks
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import events, from_schema
from schemathesis.schemas import BaseSchema
from sqlalchemy import select, update

from standingwatch.intake.again import put_in_again
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.metrics import Metrics
from standingwatch.settings import AccessSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.access import Role, add_user
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.store.reviews import Making, keep, make
from standingwatch.store.tokens import add_token
from standingwatch.store.visits import follow_alarms

DAY_US = 86_400_000_000

#: What is asked begins with the same in every run. All checks hold but two.
CONFIG: dict[str, Any] = {
    "continue-on-failure": True,
    "generation": {"max-examples": 10, "deterministic": True, "database": "none"},
    # What follows on what is found by walks: the more there is to do, the more of them it takes.
    "phases": {"stateful": {"generation": {"max-examples": 40}}},
    "checks": {
        # Names of sites, times and what may follow on what are judged by the store and the clock: no
        # description can tell which are good, so what fits it is often refused, with 400, 409 or 422.
        "positive_data_acceptance": {"enabled": False},
        # It sends no content type, and the gate against other sites' forms refuses that before any route is
        # looked for (415). `test_what_is_not_described_is_not_possible` asks as the gate wants it.
        "unsupported_method": {"enabled": False},
    },
}


S001 = {"site": "S001", "transmitter": "RPT-1"}

#: What a token has no use of: the sessions and the password of somebody who has signed in by name. What they
#: answer to such a one is asked by `test_web_api_access.py`.
OF_A_SESSION = {
    "GET /api/me/sessions",
    "DELETE /api/me/sessions/{id}",
    "PUT /api/me/password",
}

#: Number of the token that asks: none that chance or what follows on an answer would think of to revoke.
ITS_NUMBER = 7_310_472_115

#: A payload profile that can be tried.
PROFILE = """
topic = "panel/{site}/{transmitter}"
format = "json"
fields.forward = { pointer = "/fwd", unit = "W" }
fields.reflected = { pointer = "/swr", unit = "SWR" }
"""

#: Requests that are answered with what was asked for, where that takes more than to fit the description.
GOOD: dict[tuple[str, str], dict[str, Any]] = {
    ("GET", "/api/bench"): {"query": {"forward": "100", "reflected": "4"}},
    ("GET", "/api/reviews/{number}"): {"path_parameters": {"number": 1}},
    ("GET", "/api/reviews/{number}.csv"): {"path_parameters": {"number": 1}},
    ("GET", "/api/visits/{number}/sheet.pdf"): {"path_parameters": {"number": 1}},
    ("GET", "/api/inventory/{site}/{transmitter}"): {"path_parameters": S001},
    ("PUT", "/api/inventory/{site}/{transmitter}"): {
        "path_parameters": S001,
        "body": {"frequency_mhz": 152.5},
    },
    ("DELETE", "/api/inventory/{site}/{transmitter}"): {
        "path_parameters": {"site": "S007", "transmitter": "RPT-3"}
    },
    ("GET", "/api/readings/{site}/{transmitter}"): {"path_parameters": S001},
    ("GET", "/api/lines/{site}/{transmitter}"): {"path_parameters": S001},
    ("GET", "/api/series/{site}/{transmitter}"): {"path_parameters": S001},
    ("GET", "/api/alarms/history"): {"query": {"subject": "S001/RPT-2", "condition": "swr-high"}},
    ("POST", "/api/since"): {"body": {"until": "2026-03-14T09:00:00Z"}},
    ("POST", "/api/users"): {"body": {"name": "Dee", "role": "viewer", "password": "three blue owls sing"}},
    ("POST", "/api/users/{name}/acts"): {"path_parameters": {"name": "Bo"}, "body": {"act": "disable"}},
    ("DELETE", "/api/tokens/{number}"): {"path_parameters": {"number": 1}},
    ("POST", "/api/intake/accept"): {
        "body": {"topic": "standingwatch/report/S000/NEW-1", "row": {"frequency_mhz": 152.5}}
    },
    ("POST", "/api/profiles/try"): {
        "body": {"profile": "panel", "topic": "panel/S001/RPT-2", "payload": '{"fwd": 50, "swr": 1.5}'}
    },
    ("POST", "/api/profiles/draft"): {
        "body": {"topic": "panel/S001/RPT-2", "payload": '{"fwd": 50, "swr": 1.5}'}
    },
    ("POST", "/api/work"): {
        "body": {
            "site": "S001",
            "start": "2026-03-15T06:00:00Z",
            "end": "2026-03-15T09:00:00Z",
            "kind": "visit",
            "note": "jumper",
        }
    },
    ("POST", "/api/shelves"): {"body": {"site": "S001", "up_to": "major", "for_s": 3600, "reason": "crane"}},
    ("POST", "/api/alarms/act"): {
        "body": {
            "alarms": [{"subject": "S001/RPT-2", "condition": "swr-high"}],
            "act": "comment",
            "text": "on my way",
        }
    },
}


@pytest.fixture
def made(fill_each: Any, client_of: Callable[..., Any], tmp_path: Path) -> Any:
    """A client without a session of a service that has something of everything, on each database."""
    fill = fill_each
    fill.everything()
    fill.groups()
    fill.desk()
    with fill.store.reading() as connection:
        review = make(connection, "", "UTC", fill.now_us, Making())
    with fill.store.writing() as connection:
        keep(connection, review)
        follow_alarms(connection, fill.now_us + 20 * DAY_US)
    stranger = RefusedReport(
        fill.now_us, "standingwatch/report/S000/NEW-1", b"{}", "unknown-transmitter", "not on the site list"
    )
    with fill.store.writing() as connection:
        refuse(connection, [stranger])
        add_user(connection, "Bo", Role.OPERATOR, "", fill.now_us)
        add_token(
            *(connection, "of a meter", Role.VIEWER),
            made_by="Cy",
            now_us=fill.now_us,
            ends_us=fill.now_us + DAY_US,
            longest_us=DAY_US,
        )

    def retry(reason: str, topic: str = "") -> tuple[int, int]:
        metrics = Metrics(CollectorRegistry())
        writer = Writer(
            fill.store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, lambda: fill.now_us
        )
        return put_in_again(fill.store, writer, reason=reason, topic=topic, batch_rows=100)

    access = AccessSettings(allowed_hosts=("testserver", "board.test"))
    folder = tmp_path / "profiles"
    folder.mkdir()
    (folder / "panel.toml").write_text(PROFILE)
    return client_of(fill, signed_in=False, access=access, retry=retry, profiles=folder)


@pytest.fixture
def api_of(made: Any) -> Callable[[int], BaseSchema]:
    """The API's description, asked by an administrator's token, by what chance begins with."""
    now_us = made.fill.now_us
    with made.fill.store.writing() as connection:
        number, secret = add_token(
            *(connection, "schema", Role.ADMINISTRATOR),
            made_by="nobody who can be disabled",
            now_us=now_us,
            ends_us=now_us + DAY_US,
            longest_us=DAY_US,
        )
        its = update(tables.tokens).where(tables.tokens.c.id == number)
        connection.execute(its.values(id=ITS_NUMBER))
    asks = {"Authorization": f"Bearer {secret}"}

    def described(seed: int) -> BaseSchema:
        config = SchemathesisConfig.from_dict({**CONFIG, "seed": seed, "headers": asks})
        schema = schemathesis.openapi.from_asgi("/openapi.json", made.app, config=config, headers=asks)
        return schema.include(path_regex="^/api/")

    return described


@pytest.fixture
def api(api_of: Callable[[int], BaseSchema]) -> BaseSchema:
    """The API's description, asked by an administrator's token."""
    return api_of(1)


@dataclass
class Told:
    """What came of asking: each thing that is wrong once, and how often each operation gave each status."""

    wrong: dict[str, None] = field(default_factory=dict)
    statuses: Counter[tuple[str, int]] = field(default_factory=Counter)

    def take(self, event: Any) -> None:
        """Note what an event of a run says."""
        if isinstance(event, events.NonFatalError):
            self.wrong[f"{event.label}: {event.value!r}"] = None
        elif isinstance(event, events.FatalError):
            self.wrong[f"{event.exception!r}"] = None
        elif isinstance(event, events.ScenarioFinished):
            recorder = event.recorder
            for case_id, asked in recorder.interactions.items():
                label = recorder.cases[case_id].value.operation.label
                if asked.response is not None:
                    self.statuses[label, asked.response.status_code] += 1
                for check in recorder.checks.get(case_id, ()):
                    if check.failure_info is not None:
                        failure = check.failure_info.failure
                        told = f"{check.name}: {failure.title}: {failure.message}"
                        self.wrong[f"{told}\n{check.failure_info.code_sample}"] = None

    def done(self) -> set[str]:
        """The operations that did what was asked at least once."""
        return {label for label, status in self.statuses if status < 300}


def ask(schema: BaseSchema, *phases: str, before: Told | None = None) -> Told:
    """Ask all that a description offers; what came of asking before is added to."""
    load_all_checks()
    schema.config.phases.update(phases=list(phases))
    told = Told() if before is None else before
    for event in from_schema(schema).execute():
        told.take(event)
    return told


def labels_of(made: Any) -> set[str]:
    """Each operation of the API by its method and path."""
    paths = made.app.openapi()["paths"]
    return {
        f"{method.upper()} {path}" for path in paths if path.startswith("/api/") for method in paths[path]
    }


def errors_of(caplog: pytest.LogCaptureFixture) -> list[str]:
    """What the service told its log as an error: nothing that is asked should be one."""
    return [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR]


# With PostgreSQL it took 241 s on two cores that had a load of twelve, near the usual limit.
@pytest.mark.timeout(900)
def test_every_operation_keeps_to_its_description(
    made: Any, api: BaseSchema, caplog: pytest.LogCaptureFixture
) -> None:
    told = ask(api, "examples", "coverage", "fuzzing")
    assert not told.wrong, "\n\n".join(told.wrong)
    assert errors_of(caplog) == []
    assert {label for label, _ in told.statuses} >= labels_of(made)
    # Those of `GOOD` need what chance does not find; all others did what was asked.
    assert labels_of(made) - told.done() <= {f"{method} {path}" for method, path in GOOD} | OF_A_SESSION
    assert told.done() >= {"GET /api/me"}


def test_what_follows_on_an_answer_keeps_to_its_description(
    api_of: Callable[[int], BaseSchema], caplog: pytest.LogCaptureFixture
) -> None:
    wanted = {"GET /api/visits/{number}", "DELETE /api/shelves/{number}"}
    told = Told()
    # What a walk comes across differs from process to process with the order of Python's sets.
    for seed in range(1, 7):
        ask(api_of(seed), "stateful", before=told)
        if told.done() >= wanted:
            break
    assert not told.wrong, "\n\n".join(told.wrong)
    assert errors_of(caplog) == []
    assert told.done() >= wanted


def test_what_chance_does_not_find_keeps_to_its_description(api: BaseSchema) -> None:
    load_all_checks()
    for (method, path), given in GOOD.items():
        case = api[path][method].Case(**given)
        answer = case.call_and_validate(headers=dict(api.config.headers or {}))
        assert answer.status_code in (200, 201, 204), (method, path, answer.text)


def test_what_is_not_described_is_not_possible(fill: Any, client_of: Callable[..., Any]) -> None:
    client, wrong = client_of(fill), []
    paths = client.app.openapi()["paths"]
    for path in paths:
        described = {method.upper() for method in paths[path]}
        if not path.startswith("/api/"):
            continue
        address = path.replace("{number}", "1").replace("{site}", "S001").replace("{transmitter}", "RPT-1")
        for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} - described:
            answer = client.send(method, address, headers={"Content-Type": "application/json"})
            allowed = set(answer.headers.get("allow", "").split(", "))
            if answer.status_code != 405 or allowed != described:
                wrong.append((method, path, answer.status_code, allowed))
    assert wrong == []


def test_an_address_with_nul_is_refused_and_not_asked_for(made: Any) -> None:
    client = made.sign_in()
    for address in (
        "/api/alarms/history?subject=S001%00&condition=swr-high",
        "/api/reviews?region=%00",
        "/api/visits?site=%00",
        "/api/series/S%00/RPT-1",
        "/alarm?subject=%00&condition=swr-high",
        "/site/S%00",
    ):
        assert client.get(address).status_code == 400, address


def test_bodies_that_no_database_keeps_are_refused(made: Any) -> None:
    client = made.sign_in()
    for text in ("S001\\u0000", "S001\\ud800"):
        body = '{"alarms": [{"subject": "NAME", "condition": "swr-high"}], "act": "acknowledge"}'
        body = body.replace("NAME", text)
        answer = client.post("/api/alarms/act", content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code == 422, text
    number = client.get("/api/visits").json()["visits"][0]["number"]
    acts = f"/api/visits/{number}/acts"
    plan = {"act": "plan", "planned_for": "2026-03-15T08:00:00Z", "crew": "Mast crew"}
    for act in (plan, {"act": "begin"}, {"act": "done"}):
        assert client.post(acts, json=act).status_code == 200
    for name in ("\\u0000", "\\ud800"):
        body = '{"act": "findings", "found": {"NAME": "water"}}'.replace("NAME", name)
        answer = client.post(acts, content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code == 422, name
        assert answer.headers["content-type"] == "application/problem+json"
    # What was refused is in the audit too, though it tells what was sent.
    with made.fill.store.reading() as connection:
        outcomes = list(
            connection.execute(select(tables.audit.c.outcome).order_by(tables.audit.c.id)).scalars()
        )
    assert [outcome[:12] for outcome in outcomes] == ["refused, 422"] * 2 + ["done"] * 3 + [
        "refused, 422"
    ] * 2


def test_an_alarm_of_a_form_with_nul_in_its_name_is_none(made: Any) -> None:
    client = made.sign_in()
    answer = client.submit("/alarms/act", act="acknowledge", chosen="swr-high S001\0/RPT-2")
    assert "there is no such alarm" in client.told(answer)


def test_hardly_any_operators_are_refused(made: Any) -> None:
    client = made.sign_in()
    assert client.get("/api/alarm-system?operators=5e-324").status_code == 400
    assert client.get("/api/alarm-system?operators=0.01").status_code == 200


def test_the_description_tells_our_own_answers(fill: Any, client_of: Callable[..., Any]) -> None:
    described = client_of(fill).app.openapi()
    assert "HTTPValidationError" not in described["components"]["schemas"]
    for path, operations in described["paths"].items():
        for method, operation in operations.items():
            answers = operation["responses"]
            tells_of_us = path.startswith("/api/") or path in ("/livez", "/readyz")
            assert tells_of_us == ("503" in answers), (method, path)
            for status, answer in answers.items():
                kinds = set(answer.get("content", {}))
                assert int(status) < 400 or kinds == {"application/problem+json"}, (method, path, status)
