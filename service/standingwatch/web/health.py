"""`/livez` and `/readyz`: whether the process goes on and does its work. Nobody has to sign in to ask."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, Protocol

from fastapi import FastAPI
from fastapi.responses import JSONResponse, Response
from sqlalchemy.exc import SQLAlchemyError

from standingwatch.store.board import intake_state
from standingwatch.store.connect import Store
from standingwatch.web.data import readiness
from standingwatch.web.intake_news import intake_news
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.roster import RosterCache

log = logging.getLogger(__name__)


class HealthNow(Protocol):
    """What the process knows of itself."""

    def still(self) -> list[str]:
        """Why the process is not alive, in words; empty while it is."""
        ...

    def now(self) -> dict[str, Any]:
        """Whether the service is ready (`ready`), every reason why not (`reasons`), and figures."""
        ...


class HealthOfStore:
    """What can be told of the store alone, where the pages run without the rest of the service, or the
    demo's clock runs faster than life.

    Args:
        store: what is asked how far the intake has come.
        cache: what is kept between requests.
        clock: now [Unix microseconds].
    """

    def __init__(self, store: Store, cache: RosterCache, clock: Callable[[], int]) -> None:
        self._store, self._cache, self._clock = store, cache, clock

    def still(self) -> list[str]:
        """Nothing: what answers is alive."""
        return []

    def now(self) -> dict[str, Any]:
        """Whether what the pages show is fresh."""
        news, error = None, ""
        try:
            with self._store.reading() as connection:
                state, roster = intake_state(connection), self._cache.roster(connection)
                news = intake_news(state, roster.fleet.expected_interval_s, self._clock())
        except SQLAlchemyError as failure:
            log.warning("readiness: the store cannot be read: %s", failure)
            error = type(failure).__name__
        return readiness(news, error)[1]


def add_health(app: FastAPI, health: HealthNow) -> None:
    """Add both addresses.

    Args:
        app: where to.
        health: what is asked.
    """

    @app.get("/livez", responses=problem_responses(503))
    def livez() -> Response:
        """Whether the process goes on: status 200, or 503 with what hangs; only another start helps then."""
        reasons = health.still()
        if reasons:
            return problem(503, "; ".join(reasons), alive=False, reasons=reasons)
        return JSONResponse({"alive": True})

    @app.get("/readyz", responses=problem_responses(503))
    def readyz() -> Response:
        """Whether the service does its work: status 200, or 503 with the reasons."""
        answer = health.now()
        if not answer["ready"]:
            return problem(503, "; ".join(answer["reasons"]), **answer)
        return JSONResponse(answer)
