"""The web side of the service: pages, JSON, metrics and health, all read from the store."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder
from starlette.exceptions import HTTPException

from standingwatch import __version__
from standingwatch.inventory import FleetDefaults
from standingwatch.settings import AccessSettings, LimitsSettings
from standingwatch.store.connect import Store
from standingwatch.web.access import VIEWER
from standingwatch.web.access_api import add_access_api
from standingwatch.web.access_gate import Access, AccessGate
from standingwatch.web.access_hosts import HostGate
from standingwatch.web.access_pages import add_access_pages
from standingwatch.web.access_users import add_user_pages
from standingwatch.web.account_api import add_account_api
from standingwatch.web.alarm_api import add_alarm_api
from standingwatch.web.alarm_pages import add_alarm_pages
from standingwatch.web.bench_pages import add_bench_pages
from standingwatch.web.board_pages import add_board_pages
from standingwatch.web.description import DescribedApi
from standingwatch.web.entry_api import add_entry_api
from standingwatch.web.health import HealthNow, HealthOfStore, add_health
from standingwatch.web.intake_api import add_intake_api
from standingwatch.web.intake_pages import Retry, add_intake_pages
from standingwatch.web.interface_api import add_interface_api
from standingwatch.web.inventory_api import add_inventory_api
from standingwatch.web.line_api import add_line_api
from standingwatch.web.line_pages import add_line_pages
from standingwatch.web.look_pages import add_look_pages
from standingwatch.web.map_pages import add_map_pages
from standingwatch.web.outcomes import Outcomes
from standingwatch.web.pages import STATIC, Pages
from standingwatch.web.problems import Answers, add_errors, problem_responses
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.reading_api import add_reading_api
from standingwatch.web.report_pages import add_report_pages
from standingwatch.web.review_pages import add_review_api, add_review_pages
from standingwatch.web.roster import RosterCache
from standingwatch.web.safety import ChangeGate, SafetyHeaders, TextGate
from standingwatch.web.shared import Shared
from standingwatch.web.shelf_pages import add_shelf_pages
from standingwatch.web.sign_in_pages import add_sign_in_pages
from standingwatch.web.site_view import site_view
from standingwatch.web.visit_api import add_visit_api
from standingwatch.web.visit_pages import add_visit_pages
from standingwatch.web.work_pages import add_work_pages

log = logging.getLogger(__name__)


def create_app(
    store: Store,
    *,
    clock: Callable[[], int],
    registry: CollectorRegistry,
    fleet_defaults: FleetDefaults,
    limits: LimitsSettings,
    notice: str = "",
    after_work_us: int = 0,
    access: AccessSettings | None = None,
    bind_host: str = "127.0.0.1",
    automatic_user: str = "",
    retry: Retry | None = None,
    topic_root: str = "standingwatch",
    time_required: bool = True,
    profiles: Path | None = None,
    health: HealthNow | None = None,
    hsts_s: int = 0,
) -> FastAPI:
    """Make the application.

    Args:
        store: where everything is read from; its tables have to be there.
        clock: now [Unix microseconds]; pages show no other time.
        registry: metrics to show at `/metrics`.
        fleet_defaults: what holds where the site list does not say.
        limits: limits of the SWR at the transmitter, drawn in charts.
        notice: a sentence that every page shows in a band; "" for none.
        after_work_us: how long after its end a window of work still explains an alarm [us]; what the watch
            goes by.
        access: who has to sign in, and what names the service goes by; None for all defaults.
        bind_host: where it listens: a name that it goes by.
        automatic_user: an operator whom everybody is who has no session, for the demo; only where nobody else
            can reach the port. "" for none.
        retry: puts refused reports in again; None where that can be done by the command alone.
        topic_root: what MQTT topics begin with, for the description of the interface.
        time_required: whether the intake refuses a report without a time, for the same and for samples.
        profiles: folder of payload profiles that can be tried on samples; None for no such page.
        health: what the process knows of itself; None where only the store can be asked.
        hsts_s: for how long browsers that ask by HTTPS are told to go on doing so [s]; 0 for not.
    """
    settings = access if access is not None else AccessSettings()
    # The pages that describe an API with a browser load scripts from other hosts: they stay off.
    app = DescribedApi(
        title="Standing Watch",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        responses=problem_responses(401, 403),
    )
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    pages, cache = Pages(notice, clock), RosterCache(fleet_defaults, after_work_us)
    answers, outcomes = Answers(pages), Outcomes(store, clock)
    gate = Access(store, clock, settings, automatic_user)
    # The one that is added last is the outermost: what the gate refuses gets the headers too.
    app.add_middleware(ChangeGate, refuse=answers.answer)
    app.add_middleware(AccessGate, access=gate, answers=answers, outcomes=outcomes)
    app.add_middleware(TextGate, refuse=answers.answer)
    app.add_middleware(HostGate, allowed=settings.allowed_hosts, bind_host=bind_host, refuse=answers.answer)
    app.add_middleware(SafetyHeaders, hsts_s=hsts_s)
    add_errors(app, answers)
    shared = Shared(store, clock, cache, pages, outcomes)
    add_sign_in_pages(app, shared, gate)
    add_access_pages(app, shared, gate)
    add_user_pages(app, shared, gate)
    add_access_api(app, shared, gate)
    add_account_api(app, shared, gate)
    add_alarm_pages(app, shared)
    add_shelf_pages(app, shared)
    add_work_pages(app, shared)
    add_visit_pages(app, shared)
    add_visit_api(app, shared)
    add_alarm_api(app, shared)
    add_entry_api(app, shared)
    add_report_pages(app, shared)
    add_review_pages(app, shared)
    add_review_api(app, shared)
    add_line_pages(app, shared, limits)
    add_line_api(app, shared)
    add_reading_api(app, shared, limits)
    add_board_pages(app, shared, gate)
    add_look_pages(app, shared)
    add_map_pages(app, shared)
    folder = None if profiles is None else ProfileFolder(profiles)
    add_intake_pages(app, shared, retry, folder, "refuse" if time_required else "receipt")
    add_intake_api(app, shared, retry, folder)
    add_inventory_api(app, shared, folder)
    add_bench_pages(app, shared)
    add_health(app, health if health is not None else HealthOfStore(store, cache, clock))
    add_interface_api(app, topic_root, time_required=time_required)

    @app.get("/site/{site}", include_in_schema=False, dependencies=VIEWER)
    def site_page(site: str) -> Response:
        with store.reading() as connection:
            view = site_view(connection, cache, clock(), site, limits)
        if view is None:
            raise HTTPException(404, f"There is no site “{site}” on the site list.")
        return pages.page("site.html", view=view, present=view.present, now_us=view.board.now_us)

    @app.get("/metrics", include_in_schema=False)
    def metrics(request: Request) -> Response:
        encode, kind = choose_encoder(request.headers.get("accept", ""))
        return Response(encode(registry), headers={"Content-Type": kind})

    return app
