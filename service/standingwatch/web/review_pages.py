"""The overnight review: pages of the newest and of past ones, and the same as data and as a table."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Query
from fastapi.responses import Response
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.alarms.words import GRAVE_LIMITS, limit_name
from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Cause, Severity
from standingwatch.review import overnight
from standingwatch.review.overnight import Item, Review, Trip, swr_of
from standingwatch.review.section_words import ASIDE, NO_DATA_WORDS, SECTIONS, URGENCY_WORDS, costs_db
from standingwatch.review.small_chart import small_chart
from standingwatch.review.summary import cause_record, time_left
from standingwatch.review.table import as_csv
from standingwatch.review.visits import OPEN, Visit
from standingwatch.store.reviews import list_reviews, load_review, regions_reviewed
from standingwatch.store.visits import load_visits
from standingwatch.web import review_models as models
from standingwatch.web import words
from standingwatch.web.access import VIEWER
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.line_view import line_address
from standingwatch.web.problems import problem_responses
from standingwatch.web.review_chart import drawing
from standingwatch.web.shared import Shared
from standingwatch.web.visit_view import STATE_WORDS

#: A review older than this is said to be old: the one of today is missing [us].
OLD_US = 26 * 3_600_000_000

#: Past reviews on one page.
A_PAGE = 60

#: Cursors of the list.
REVIEWS = "reviews"

_LAST_NUMBER = 2**63 - 1
Region = Annotated[str | None, Query(max_length=100)]
Before = Annotated[int | None, Query(ge=1, le=_LAST_NUMBER)]


def add_review_pages(app: FastAPI, shared: Shared) -> None:
    """Add the pages of the review."""

    @app.get("/review", include_in_schema=False, dependencies=VIEWER)
    def newest(region: Region = None) -> Response:
        with shared.store.reading() as connection:
            regions = regions_reviewed(connection)
            # That of the whole fleet comes first by name, where there is one.
            wanted = region if region is not None else (regions[0] if regions else "")
            found = list_reviews(connection, wanted, 1)
            if found:
                return _page(shared, connection, found[0].number)
        return shared.pages.page(
            "review_none.html",
            region=wanted,
            regions=regions,
            asked=region is not None,
            now_us=shared.clock(),
        )

    @app.get("/review/{number}", include_in_schema=False, dependencies=VIEWER)
    def one(number: int) -> Response:
        with shared.store.reading() as connection:
            return _page(shared, connection, number)

    @app.get("/reviews", include_in_schema=False, dependencies=VIEWER)
    def past(region: Region = None, before: Before = None) -> Response:
        with shared.store.reading() as connection:
            regions = regions_reviewed(connection)
            found = list_reviews(connection, region, A_PAGE + 1, before)
        return shared.pages.page(
            "review_past.html",
            kept=found[:A_PAGE],
            more=found[A_PAGE - 1].number if len(found) > A_PAGE else None,
            region=region,
            regions=regions,
            now_us=shared.clock(),
        )


def add_review_api(app: FastAPI, shared: Shared) -> None:
    """Add the routes of the review."""

    @app.get(
        "/api/reviews",
        response_model=models.Reviews,
        responses=problem_responses(400),
        tags=["review"],
        dependencies=VIEWER,
    )
    def reviews(region: Region = None, limit: Limit = 50, cursor: Cursor = "") -> dict[str, Any]:
        """Kept overnight reviews, the newest first.

        `region`: only those of this region; empty for those of the whole fleet.
        """
        place = place_of(REVIEWS, cursor, int)
        with shared.store.reading() as connection:
            found = list_reviews(connection, region, limit + 1, None if place is None else place[0])
        return {
            "reviews": [models.kept_data(kept) for kept in found[:limit]],
            "next": cursor_of(REVIEWS, found[limit - 1].number) if len(found) > limit else None,
        }

    # Before the route of one review: that would take "7.csv" for a number that is none.
    @app.get(
        "/api/reviews/{number}.csv",
        response_class=Response,
        responses={
            200: {"content": {"text/csv": {"schema": {"type": "string"}}}},
            **problem_responses(400, 404),
        },
        tags=["review"],
        dependencies=VIEWER,
    )
    def review_table(number: int) -> Response:
        """The alarms of an overnight review as a table (CSV, RFC 4180), a row an alarm."""
        with shared.store.reading() as connection:
            review = _wanted(connection, number)
        name = f"review-{review.day}-{number}.csv"
        return Response(
            as_csv(review),
            headers={
                "Content-Type": "text/csv; charset=utf-8",
                "Content-Disposition": f'attachment; filename="{name}"',
            },
        )

    @app.get(
        "/api/reviews/{number}",
        response_model=models.ReviewData,
        responses=problem_responses(400, 404),
        tags=["review"],
        dependencies=VIEWER,
    )
    def review(number: int) -> dict[str, Any]:
        """One overnight review."""
        with shared.store.reading() as connection:
            return models.review_data(number, _wanted(connection, number))


def _wanted(connection: Connection, number: int) -> Review:
    """A kept review; status 404 where there is none of this number."""
    review = load_review(connection, number) if 0 < number <= _LAST_NUMBER else None
    if review is None:
        raise HTTPException(404, f"There is no review {number}.")
    return review


def _page(shared: Shared, connection: Connection, number: int) -> Response:
    review = _wanted(connection, number)
    now_us = shared.clock()
    newest = list_reviews(connection, review.region, 1)[0]
    sections = [(change, words_, review.section(change)) for change, words_ in SECTIONS]
    aside = [(name, words_, review.set_aside(name)) for name, words_ in ASIDE]
    is_newest = newest.number == number
    # A past review says what was known on its morning.
    visits_now = _visits_now(connection) if is_newest else {}
    return shared.pages.page(
        "review.html",
        review=review,
        number=number,
        regions=regions_reviewed(connection),
        is_newest=is_newest,
        newest=newest,
        is_old=is_newest and now_us - review.made_us > OLD_US,
        sections=sections,
        aside=[(name, words_, items) for name, words_, items in aside if items],
        charts={
            item.rank: drawing(chart) for item in review.items if item.rank and (chart := small_chart(item))
        },
        no_data_words=NO_DATA_WORDS,
        urgency_words=URGENCY_WORDS,
        what=lambda item: words.condition(item.condition),
        severity_of=Severity.from_word,
        visits_of=lambda trip: _visits(review, trip),
        visits_now=visits_now,
        costs_db=costs_db,
        cleared=overnight.CLEARED,
        line_of=lambda item: line_address(item.site, item.transmitter),
        swr=lambda rho: words.swr(swr_of(rho)),
        left=time_left,
        outlook=lambda item: _outlook(item, review.made_us),
        state_words=STATE_WORDS,
        causes=cause_record(review),
        cause_words=lambda cause: words.CAUSE_WORDS[Cause(cause)],
        now_us=now_us,
    )


def _visits(review: Review, trip: Trip) -> list[tuple[int, str]]:
    """The visits that are to see to a trip's sites: number and state when the review was made."""
    items = [review.by_rank[rank] for rank in trip.ranks]
    return sorted({(item.visit, item.visit_state) for item in items if item.visit is not None})


def _visits_now(connection: Connection) -> dict[str, Visit]:
    """The open visit to each site, as it is now."""
    return {visit.site: visit for visit in load_visits(connection, OPEN)}


def _outlook(item: Item, made_us: int) -> list[str]:
    """When the limits that matter most are reached, in words; of no others where those are known."""
    forecast = [LimitForecast(**vars(outlook)) for outlook in item.forecast]
    told = [f for f in forecast if f.limit in GRAVE_LIMITS] or forecast
    return [
        words.limit_outlook(f, made_us)
        for f in sorted(told, key=lambda f: (f.expected_us is None, f.swr, limit_name(f)))
    ]
