"""The API of the site list: its rows, putting one on it or taking it off, and the sites themselves."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from fastapi import FastAPI, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.detect.words import Severity
from standingwatch.inventory import write_inventory
from standingwatch.store.sites import load_site_list, put_on_site_list, take_off_site_list
from standingwatch.web import inventory_models as models
from standingwatch.web.access import ENGINEER, VIEWER, about_act
from standingwatch.web.choosing import site_severity
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.desk import Desk
from standingwatch.web.intake_accept import BadRowError, cell_of, check_profile, row_of
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.shared import Shared

#: Cursors of the lists.
ROWS, SITES = "site-list", "sites"

Word = Annotated[str, Query(max_length=100)]
Name = Annotated[str, Path(min_length=1, max_length=100)]


def add_inventory_api(app: FastAPI, shared: Shared, profiles: ProfileFolder | None = None) -> None:
    """Add the routes of the site list.

    Args:
        app: where to.
        shared: what all routes share.
        profiles: the payload profiles that a row may name; None where those are not known here.
    """

    @app.get(
        "/api/inventory",
        response_model=models.SiteListPage,
        responses=problem_responses(400),
        tags=["site list"],
        dependencies=VIEWER,
    )
    def rows(site: Word = "", limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """The site list, by site and transmitter; only the rows of one site, if it is named."""
        after = place_of(ROWS, cursor, str, str)
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
        wanted = [row for row in roster.by_name if not site or row.site == site]
        rest = [row for row in wanted if after is None or (row.site, row.transmitter) > after]
        last = rest[limit - 1] if len(rest) > limit else None
        return {
            "version": roster.version,
            "total": len(wanted),
            "rows": [models.row_data(row) for row in rest[:limit]],
            "next": None if last is None else cursor_of(ROWS, last.site, last.transmitter),
        }

    # Before the route of one row: nothing else that is asked for here has one part alone.
    @app.get(
        "/api/inventory.csv",
        response_class=Response,
        responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
        tags=["site list"],
        dependencies=VIEWER,
    )
    def as_table() -> Response:
        """The whole site list as a table (CSV), as `standingwatch inventory import` takes it."""
        with shared.store.reading() as connection:
            listed = load_site_list(connection)
        return Response(
            write_inventory(listed.rows),
            headers={
                "Content-Type": "text/csv; charset=utf-8",
                "Content-Disposition": 'attachment; filename="site-list.csv"',
            },
        )

    @app.get(
        "/api/inventory/{site}/{transmitter}",
        response_model=models.ListedRow,
        responses=problem_responses(400, 404),
        tags=["site list"],
        dependencies=VIEWER,
    )
    def one_row(site: Name, transmitter: Name) -> dict[str, Any]:
        """One row of the site list."""
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
        found = roster.row_of.get((site, transmitter))
        if found is None:
            raise HTTPException(404, f"{site}/{transmitter} is not on the site list.")
        return models.row_data(found)

    @app.put(
        "/api/inventory/{site}/{transmitter}",
        response_model=models.RowPut,
        responses={
            201: {"model": models.RowPut, "description": "It was not on the list before"},
            **problem_responses(400, 422),
        },
        tags=["site list"],
        dependencies=ENGINEER,
    )
    def put_row(request: Request, site: Name, transmitter: Name, given: models.RowGiven) -> Any:
        """Put a row on the site list, or in the place of the one that is there.

        One that was on it before comes back with its history.
        """
        about_act(request, "put a row on the site list", f"{site}/{transmitter}")
        values = given.model_dump(exclude_none=True)
        cells = {name: cell_of(value) for name, value in values.items()}
        names = {"site": site, "transmitter": transmitter}
        try:
            with shared.store.writing() as connection:
                row, warnings = row_of({**cells, **names}, shared.cache.roster(connection))
                check_profile(row, profiles)
                is_new = put_on_site_list(connection, row)
        except BadRowError as error:
            return problem(422, str(error), problems=list(error.problems))
        answer = {"row": models.row_data(row), "warnings": list(warnings)}
        return JSONResponse(answer, status_code=201 if is_new else 200)

    @app.delete(
        "/api/inventory/{site}/{transmitter}",
        status_code=204,
        responses=problem_responses(400, 404),
        tags=["site list"],
        dependencies=ENGINEER,
    )
    def take_off(request: Request, site: Name, transmitter: Name) -> Response:
        """Take a transmitter off the site list: it is not watched any more. Its history stays."""
        about_act(request, "take off the site list", f"{site}/{transmitter}")
        with shared.store.writing() as connection:
            if not take_off_site_list(connection, site, transmitter, shared.clock()):
                raise HTTPException(404, f"{site}/{transmitter} is not on the site list.")
        return Response(status_code=204)

    @app.get(
        "/api/sites",
        response_model=models.Sites,
        responses=problem_responses(400),
        tags=["site list"],
        dependencies=VIEWER,
    )
    def sites(region: Word = "", limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """The sites by name: where they lie, how they stand, when they were last heard."""
        place, now_us = place_of(SITES, cursor, str), shared.clock()
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            now = shared.cache.fleet.now(connection, roster, now_us)
            standing = Desk(connection, roster, now_us).sees(shared.cache.fleet.standing(connection))
        fleet, severity = roster.fleet, site_severity(roster, standing)
        wanted = sorted(
            (name, at)
            for name, at in roster.site_position.items()
            if not region or roster.site_region(at) == region
        )
        rest = [one for one in wanted if place is None or one[0] > place[0]]
        latitude, longitude = roster.coordinates
        told = []
        for name, at in rest[:limit]:
            members = roster.members[at]
            newest = members[np.argmax(now.report_us[members])]
            report_us = int(now.report_us[newest])
            where = float(latitude[at]), float(longitude[at])
            gravest = Severity(int(severity[at]))
            told.append(
                {
                    "site": name,
                    "site_name": roster.site_title(at),
                    "region": roster.site_region(at) or None,
                    "latitude": None if np.isnan(where[0]) else where[0],
                    "longitude": None if np.isnan(where[1]) else where[1],
                    "severity": None if gravest is Severity.CLEARED else gravest.word,
                    "transmitters": [fleet.transmitter[position] for position in members.tolist()],
                    "overdue": int(np.count_nonzero(now.is_late[members])),
                    "last_report": rfc3339(report_us) if report_us > 0 else None,
                    "last_report_within_hour_from_there": bool(now.report_in_hour[newest]) and report_us > 0,
                }
            )
        last = rest[limit - 1][0] if len(rest) > limit else None
        return {
            "time": rfc3339(now_us),
            "total": len(wanted),
            "sites": told,
            "next": None if last is None else cursor_of(SITES, last),
        }
