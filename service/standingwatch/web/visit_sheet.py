"""The visit sheet as a page and as a PDF, both from the same template."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from sqlalchemy import Connection

from standingwatch.detect.words import Cause
from standingwatch.review.section_words import URGENCY_WORDS
from standingwatch.review.sheet import Place, Sheet, make_sheet
from standingwatch.review.visits import Visit
from standingwatch.rf import rho_at_antenna, swr_from_rho
from standingwatch.store.visit_lines import Lines, facts_of
from standingwatch.store.visits import load_visit
from standingwatch.store.watching import rollup_frame
from standingwatch.web import words
from standingwatch.web.chart import Course, Level, chart
from standingwatch.web.pages import STATIC, Pages
from standingwatch.web.roster import Roster
from standingwatch.web.sheet_pdf import draw_pdf
from standingwatch.web.visit_view import STATE_WORDS, site_lines

DAY_US = 86_400_000_000

#: How far back the chart of a sheet goes [d].
CHART_DAYS = 45

#: What the chart looks like where the styles of the pages do not reach into it: on paper.
_CHART_STYLE = (
    "<style>text{font-size:10.5px;fill:#444;font-family:'DejaVu Sans',sans-serif}"
    ".grid{stroke:#ddd;stroke-width:.7;fill:none}path.band{fill:#ccdbe6;stroke:none}"
    ".median{fill:none;stroke:#17212a;stroke-width:1.4}.antenna{fill:none;stroke:#0b4f7d;stroke-width:1}"
    ".baseline{fill:none;stroke:#00684c;stroke-width:1.4}"
    ".limit{fill:none;stroke:#8a4a1c;stroke-width:1;stroke-dasharray:7 3}"
    ".of-limit{fill:#8a4a1c}.of-baseline{fill:#00684c}</style>"
)


@dataclass(frozen=True)
class SheetView:
    """A sheet, with the chart of its first line; "" without one."""

    sheet: Sheet
    chart: Markup
    chart_name: str


def sheet_view(connection: Connection, roster: Roster, number: int, now_us: int) -> SheetView | None:
    """The sheet of a visit; None where there is no such visit."""
    visit = load_visit(connection, number)
    if visit is None:
        return None
    lines = site_lines(roster, visit.site)
    sheet = make_sheet(visit, _place(visit, lines), facts_of(connection, visit, lines, now_us), now_us)
    if not sheet.lines:
        return SheetView(sheet, Markup(""), "")
    facts = sheet.lines[0].facts
    return SheetView(sheet, _chart(connection, lines, facts.transmitter, sheet, now_us), facts.transmitter)


def sheet_values(view: SheetView) -> dict[str, Any]:
    """What the template of a sheet needs besides."""
    return {
        "view": view,
        "sheet": view.sheet,
        "state_words": STATE_WORDS,
        "urgency_words": URGENCY_WORDS,
        "causes": tuple(Cause),
    }


def sheet_pdf(pages: Pages, view: SheetView, paper: str = "A4") -> bytes:
    """The sheet as a PDF.

    Args:
        pages: makes the page.
        view: the sheet.
        paper: "A4" or "Letter".

    Raises:
        standingwatch.web.sheet_pdf.PdfError: if it could not be made.
    """
    drawn = SheetView(view.sheet, _as_image(view.chart), view.chart_name)
    style = Markup((STATIC / "sheet.css").read_text(encoding="utf-8"))  # noqa: S704  our own file
    page = pages.page("sheet_print.html", **{**sheet_values(drawn), "style": style, "paper": paper})
    return draw_pdf(bytes(page.body))


def _as_image(drawn: Markup) -> Markup:
    """A chart as an image with its style in it, in the page itself."""
    if not drawn:
        return drawn
    svg = str(drawn).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    svg = svg.replace('">', f'">{_CHART_STYLE}', 1)
    data = base64.b64encode(svg.encode()).decode()
    return Markup('<img alt="" src="data:image/svg+xml;base64,{}">').format(data)


def _place(visit: Visit, lines: Lines) -> Place:
    rows = [row for _, row in lines.values()]
    if not rows:
        return Place(visit.site)
    first = rows[0]
    return Place(
        visit.site,
        first.site_name or "",
        first.region or "",
        math.nan if first.latitude is None else first.latitude,
        math.nan if first.longitude is None else first.longitude,
    )


def _chart(connection: Connection, lines: Lines, name: str, sheet: Sheet, now_us: int) -> Markup:
    """The SWR of a transmitter over the last weeks."""
    start_us = now_us - CHART_DAYS * DAY_US
    frame = rollup_frame(connection, start_us, now_us, lines[name][0])
    low, median, high = (
        np.asarray(swr_from_rho(frame[c].to_numpy(dtype=np.float64)))
        for c in ("rho_low", "rho_median", "rho_high")
    )
    line = sheet.lines[0]
    carried = np.asarray(rho_at_antenna(frame["rho_median"].to_numpy(dtype=np.float64), line.facts.loss_db))
    antenna = np.asarray(swr_from_rho(np.where(carried <= 1.0, carried, np.nan)))
    course = Course(frame["hour_us"].to_numpy(dtype=np.int64), low, median, high, antenna)
    levels = [Level(1.5, "1.5:1", "limit")]
    if math.isfinite(line.facts.baseline_rho):
        levels.append(Level(float(swr_from_rho(line.facts.baseline_rho)), "baseline", "baseline"))
    return chart(course, levels, start_us, now_us, words.several(CHART_DAYS, "day") + f" of {name}")
