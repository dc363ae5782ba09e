"""How the chart of an antenna line looks, light and dark, as Vega-Lite's `config`.

Colours: M. Okabe and K. Ito, "Color Universal Design (CUD)", 2008, as on the board; paper, ink and rules are
those of `static/look.css`. No colour stands alone: lines differ in width and dash, severities in height and
shape, and each has a word in the key or the table.
"""

from __future__ import annotations

from typing import Any

FONT = 'system-ui, "Segoe UI", Roboto, "Helvetica Neue", "Liberation Sans", Arial, sans-serif'

#: Room of the axes left and right [pixels]: one for all parts, so that they stand under each other.
AXIS_PX = 46

#: Severities from the least grave, then work: the order of the scale of the lanes.
FILLS = ("#56b4e9", "#f0e442", "#e69f00", "#d55e00")


def _theme(colour: dict[str, str]) -> dict[str, Any]:
    axis = {
        "labelColor": colour["quiet"],
        "titleColor": colour["quiet"],
        "titleFontWeight": "normal",
        "gridColor": colour["rule"],
        "domainColor": colour["strong"],
        "tickColor": colour["strong"],
        "titlePadding": 6,
    }
    text = {"fontSize": 11}
    return {
        "background": colour["sheet"],
        "font": FONT,
        # The page describes the chart in words and a table; a role on every mark would only be in the way.
        "aria": False,
        "view": {"stroke": None},
        "axis": axis,
        "axisY": {"minExtent": AXIS_PX, "maxExtent": AXIS_PX},
        "range": {"category": [*FILLS, colour["ink"]]},
        "style": {
            "uncertain": {"color": colour["uncertain"], "opacity": 1},
            "spread": {"color": colour["band"], "opacity": 0.9},
            "usual": {"color": colour["calm"], "opacity": 0.22},
            "baseline": {"color": colour["calm"], "strokeWidth": 1.6},
            "limit": {"color": colour["limit"], "strokeWidth": 1, "strokeDash": [7, 3]},
            "limitground": {"color": colour["sheet"], "stroke": colour["sheet"], "strokeWidth": 4, **text},
            "limitword": {"color": colour["limit"], **text},
            "version": {"color": colour["calm"], **text},
            "now": {"color": colour["strong"], "strokeWidth": 1},
            "match": {"color": colour["ink"], "strokeWidth": 1.4},
            "over": {"color": colour["ink"]},
            "fan": {"color": "#cc79a7", "opacity": 0.32},
            "forecast": {"color": colour["forecast"], "strokeWidth": 1.8, "strokeDash": [7, 3, 1, 3]},
            "bar": {"stroke": colour["edge"], "strokeWidth": 0.6},
            "sign": {"stroke": colour["edge"], "strokeWidth": 0.8},
            "lane": {"color": colour["quiet"], **text},
            "power": {"color": colour["link"], "strokeWidth": 1.4},
            "lost": {"color": colour["ink"], "strokeWidth": 1.4},
            "outside": {"color": colour["limit"], "strokeWidth": 1.2},
            "rain": {"color": colour["link"], "opacity": 0.75},
        },
    }


_LIGHT = {
    "sheet": "#fffefb",
    "ink": "#17212a",
    "quiet": "#55616b",
    "rule": "#e6e4dc",
    "strong": "#8a8f92",
    "link": "#0b4f7d",
    "band": "#b9cfdd",
    "limit": "#8a4a1c",
    "calm": "#00684c",
    "edge": "#000000",
    "forecast": "#8f3a69",
    "uncertain": "#ebeae3",
}

_DARK = {
    "sheet": "#151e26",
    "ink": "#dfe6ea",
    "quiet": "#9aa8b2",
    "rule": "#29353f",
    "strong": "#647480",
    "link": "#8cc8f0",
    "band": "#2c4658",
    "limit": "#e8b07f",
    "calm": "#2fc39a",
    "edge": "#dfe6ea",
    "forecast": "#e9a3ca",
    "uncertain": "#1e2932",
}

THEMES = {"light": _theme(_LIGHT), "dark": _theme(_DARK)}
