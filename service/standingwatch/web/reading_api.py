"""The API of readings as they are kept, and of an antenna line as it stands."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import FastAPI, Path
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import plain, rfc3339
from standingwatch.detect.words import Severity
from standingwatch.readings.flags import flag_words
from standingwatch.readings.times import parse_time
from standingwatch.settings import LimitsSettings
from standingwatch.store.series import KeptReading, kept_readings
from standingwatch.web import reading_models as models
from standingwatch.web.access import VIEWER
from standingwatch.web.alarm_data import alarm_data
from standingwatch.web.cursors import WRONG, Cursor, Limit, cursor_of, place_of
from standingwatch.web.line_data import raw_up_to
from standingwatch.web.line_pages import From, When, position_of
from standingwatch.web.line_span import Span, span_of
from standingwatch.web.line_view import Figures, line_view
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared

#: Cursors of the list.
READINGS = "readings"

#: What is given where no begin is named [us].
USUAL_US = 86_400_000_000

#: Times that a cursor may hold: the years that a query may name.
FIRST_US, LAST_US = parse_time("2000-01-01T00:00:00Z"), parse_time("2100-12-31T00:00:00Z")

Name = Annotated[str, Path(max_length=100)]


def add_reading_api(app: FastAPI, shared: Shared, limits: LimitsSettings) -> None:
    """Add the routes of readings and of a line."""

    @app.get(
        "/api/readings/{site}/{transmitter}",
        response_model=models.ReadingsPage,
        responses=problem_responses(400, 404),
        tags=["series"],
        dependencies=VIEWER,
    )
    def readings(
        site: Name,
        transmitter: Name,
        start: From = "",
        to: When = "",
        limit: Limit = 500,
        cursor: Cursor = "",
    ) -> dict[str, Any]:
        """Readings of one transmitter as they are kept, the oldest first. Without `from` the day before `to`.

        Times without an offset are UTC. Readings are looked for over a bounded span at a time, so a page can
        hold few or none and still have a `next`.
        """
        span = span_of(start, to, shared.clock(), USUAL_US)
        place = place_of(READINGS, cursor, int, int)
        if place is not None:
            if not FIRST_US <= place[0] < place[1] <= LAST_US:
                raise HTTPException(400, WRONG)
            span = Span(place[0], place[1], to_now=False)
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            position = position_of(roster, site, transmitter)
            piece_us = raw_up_to(roster.fleet, position)
            end_us = min(span.end_us, span.start_us + piece_us)
            key = int(roster.fleet.key[position])
            found = kept_readings(connection, key, span.start_us, end_us, limit + 1)
        on_us = found[limit].time_us if len(found) > limit else end_us
        return {
            "site": site,
            "transmitter": transmitter,
            "from": rfc3339(span.start_us),
            "to": rfc3339(span.end_us),
            "readings": [_reading(one) for one in found[:limit]],
            "next": cursor_of(READINGS, on_us, span.end_us) if on_us < span.end_us else None,
        }

    @app.get(
        "/api/lines/{site}/{transmitter}",
        response_model=models.Line,
        responses=problem_responses(400, 404),
        tags=["series"],
        dependencies=VIEWER,
    )
    def line(site: Name, transmitter: Name) -> dict[str, Any]:
        """One antenna line as it stands: what is going on, its match, baseline and limits at both ends."""
        now_us = shared.clock()
        span = span_of("", "", now_us)
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            position = position_of(roster, site, transmitter)
            view = line_view(connection, roster, now_us, position, span, limits, as_return_loss=False)
        figures = ("lost_db", "baseline_lost_db", "directivity_db", "ceiling_swr")
        return {
            "time": rfc3339(now_us),
            "site": view.site,
            "site_name": view.title,
            "region": view.region or None,
            "transmitter": view.name,
            "severity": None if view.severity is Severity.CLEARED else view.severity.word,
            "sentences": list(view.sentences),
            **{
                name: _figures(getattr(view, name))
                for name in ("present", "newest", "baseline", "least", "most")
            },
            **plain({name: float(getattr(view, name)) for name in figures}),
            "limits": [{"name": one.name, "at": _figures(one.at)} for one in view.limits],
            "alarms": [alarm_data(one) for one in view.alarms],
        }


def _figures(one: Figures) -> dict[str, Any]:
    return dict(plain(asdict(one)))


def _reading(one: KeptReading) -> dict[str, Any]:
    """A reading as JSON data."""
    told = {name: value for name, value in one._asdict().items() if not name.endswith("_us")}
    return {
        **told,
        "time": rfc3339(one.time_us),
        "received": rfc3339(one.received_us),
        "keyed": None if one.keyed < 0 else bool(one.keyed),
        "foldback": None if one.foldback < 0 else bool(one.foldback),
        "channel": one.channel or None,
        "sequence": None if one.sequence < 0 else one.sequence,
        "flags": flag_words(one.flags),
    }
