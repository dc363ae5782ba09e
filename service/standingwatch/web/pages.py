"""Templates to pages: one environment that escapes everything and stops at an unknown name."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from standingwatch import __version__
from standingwatch.detect.words import Severity
from standingwatch.web import words
from standingwatch.web.access import person_now
from standingwatch.web.choice import SORTS, Choice, choice_query
from standingwatch.web.desk import AlarmChoice
from standingwatch.web.naming import alarm_address, form_value

HERE = Path(__file__).parent
STATIC = HERE / "static"


class Pages:
    """Makes pages of templates.

    Args:
        notice: a sentence that every page shows in a band; "" for none.
        clock: now [Unix microseconds].
    """

    def __init__(self, notice: str, clock: Callable[[], int]) -> None:
        self._clock = clock
        self._environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals.update(
            notice=notice,
            version=__version__,
            words=words,
            severities=words.GRAVEST_FIRST,
            isnan=math.isnan,
            static=static_addresses().__getitem__,
            site_address=site_address,
            region_address=region_address,
            line_address=line_address,
            query=choice_query,
            sort_words=SORTS,
            alarm_address=alarm_address,
            form_value=form_value,
            alarms_query=alarms_query,
            Severity=Severity,
        )

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """A page, or a part of one; `now_us` and `person`, who asks, go with what is in `values`."""
        values.setdefault("now_us", self._clock())
        values.setdefault("person", person_now())
        text = self._environment.get_template(template).render(**values)
        return HTMLResponse(text, status_code=status)


def static_addresses() -> dict[str, str]:
    """The address of each static file, another one whenever its content is."""
    return {
        file.name: f"/static/{file.name}?v={hashlib.sha256(file.read_bytes()).hexdigest()[:12]}"
        for file in STATIC.iterdir()
    }


def site_address(site: str) -> str:
    """The address of a site's page."""
    return f"/site/{quote(site, safe='')}"


def line_address(site: str, transmitter: str) -> str:
    """The address of a line's page."""
    return f"/site/{quote(site, safe='')}/{quote(transmitter, safe='')}"


def region_address(region: str) -> str:
    """The address of the board with the sites of a region."""
    return f"/{choice_query(Choice(region=region))}"


def alarms_query(choice: AlarmChoice, page: int | None = None) -> str:
    """A choice of alarms as the query of an address, with its "?"; "" for the choice of everything."""
    number = choice.page if page is None else page
    pairs = {
        "severity": choice.severity.word if choice.severity is not None else "",
        "region": choice.region,
        "condition": choice.condition.value if choice.condition is not None else "",
        "state": choice.state,
        "text": choice.text,
        "page": str(number) if number > 1 else "",
    }
    told = {name: value for name, value in pairs.items() if value}
    return f"?{urlencode(told)}" if told else ""
