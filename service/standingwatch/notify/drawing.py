"""What charts of mails share: a process of their own, rows for Altair, PNG; see `notify/chart_drawing.py`."""

from __future__ import annotations

import json
from typing import Any

from standingwatch.child import ChildError, output_of

#: Colours on white paper, those of the pages (M. Okabe and K. Ito; `web/static/look.css`).
INK, CALM, LIMIT, BAND, GRID = "#17212a", "#00684c", "#8a4a1c", "#b9cfdd", "#e3e3de"


class ChartError(Exception):
    """The chart could not be drawn; the text says why."""


def drawn_by(module: str, given: Any, within_s: float) -> bytes:
    """What a module of this package writes to standard output when it is given JSON, in its own process.

    Args:
        module: its name.
        given: JSON data for its standard input.
        within_s: how long it may take [s].

    Raises:
        ChartError: if it did not end well, or in time.
    """
    try:
        return output_of("-m", module, within_s=within_s, given=json.dumps(given).encode())
    except ChildError as error:
        raise ChartError(f"drawing failed: {error}") from error


def rows(values: list[dict[str, Any]]) -> Any:
    """A chart of some rows.

    As text: Altair copies and checks lists of rows anew at every step, a text it takes as it is.
    """
    import altair as alt

    return alt.Chart(alt.InlineData(values=json.dumps(values), format=alt.JsonDataFormat(type="json")))


def as_png(chart: Any) -> bytes:
    """A chart as PNG on white; nothing is asked of another host."""
    import vl_convert

    spec = chart.configure_view(stroke=None).configure_axis(gridColor=GRID).to_dict()
    return bytes(vl_convert.vegalite_to_png(spec, scale=1.5, allowed_base_urls=[]))
