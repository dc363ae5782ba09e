"""The map as one SVG drawing, made here: no tiles, no script, nothing from another host."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from standingwatch.detect.words import Severity
from standingwatch.web.map_layout import MARGIN, Frame, degrees_text, graticule, scale_bar

#: So many of the worst marks are named.
NAMED = 14

#: Outlines within half a unit around the middle; the same shapes as everywhere else.
_SHAPES = {
    Severity.CRITICAL: '<path d="M{l} {l}h{w}v{w}h-{w}z"/>',
    Severity.MAJOR: '<path d="M0 {l}L{r} {r}H{l}z"/>',
    Severity.MINOR: '<path d="M0 {l}L{r} 0 0 {r} {l} 0z"/>',
    Severity.WARNING: '<circle r="{r}"/>',
    Severity.CLEARED: '<circle r="{r}"/>',
}


@dataclass(frozen=True)
class Mark:
    """A mark on the map: a site, or several that overlap.

    Attributes:
        x, y: where [px].
        severity: the gravest of its sites.
        count: how many sites.
        name: of the gravest of them.
        label: what it says to who cannot see it.
        address: where it leads.
    """

    x: float
    y: float
    severity: Severity
    count: int
    name: str
    label: str
    address: str


def drawing(frame: Frame, marks: Sequence[Mark], regions: Sequence[tuple[str, float, float]]) -> Markup:
    """Draw a map.

    Args:
        frame: how the box lies in the drawing.
        marks: gravest first; drawn in reverse, so that the gravest lie on top.
        regions: name and place [px] of each.
    """
    parts = [_graticule(frame)]
    parts += [f'<text class="region" x="{x:.0f}" y="{y:.0f}">{escape(name)}</text>' for name, x, y in regions]
    parts += [_mark(mark) for mark in reversed(marks)]
    parts += _names(frame, marks)
    parts.append(_scale(frame))
    said = f"Map of {len(marks)} marks, each a site or several; the table below holds the same"
    return Markup(  # noqa: S704  names are escaped, all else is made here
        f'<svg class="map" viewBox="{frame.begin:.0f} 0 {frame.end - frame.begin:.0f} '
        f'{frame.height:.0f}" role="group" aria-label="{said}">'
        f"{''.join(parts)}</svg>"
    )


def _mark(mark: Mark) -> str:
    radius = 6.0 if mark.count == 1 else 9.0 + min(3.0, mark.count / 40)
    if mark.severity is Severity.CLEARED and mark.count == 1:
        radius = 3.2
    elif mark.severity is Severity.MAJOR:
        radius += 1.5
    shape = _SHAPES[mark.severity].format(l=f"{-radius:.1f}", r=f"{radius:.1f}", w=f"{2 * radius:.1f}")
    down = 6.5 if mark.severity is Severity.MAJOR else 3.5
    number = f'<text class="count" y="{down}">{mark.count}</text>' if mark.count > 1 else ""
    # What is calm is reached by the table: a hundred stops on the way to it help nobody.
    skip = ' tabindex="-1"' if mark.severity is Severity.CLEARED else ""
    return (
        f'<a href="{escape(mark.address)}" aria-label="{escape(mark.label)}"{skip} '
        f'class="at {mark.severity.word}" transform="translate({mark.x:.1f} {mark.y:.1f})">'
        f"<title>{escape(mark.label)}</title>{shape}{number}</a>"
    )


def _names(frame: Frame, marks: Sequence[Mark]) -> list[str]:
    """Names of the worst, where there is room for them."""
    # Nothing that is in alarm may be covered; what is calm may.
    taken = [
        (mark.x - 9, mark.y - 9, mark.x + 9, mark.y + 9)
        for mark in marks
        if mark.severity is not Severity.CLEARED
    ]
    found: list[str] = []
    for mark in marks:
        if mark.severity is Severity.CLEARED or len(found) >= NAMED:
            break
        text = mark.name if mark.count == 1 else f"{mark.name} +{mark.count - 1}"
        wide = 6.6 * len(text)
        for x, anchor in ((mark.x + 13, "start"), (mark.x - 13, "end")):
            left = x if anchor == "start" else x - wide
            box = (left, mark.y - 7, left + wide, mark.y + 7)
            clear = all(box[2] < a or box[0] > c or box[3] < b or box[1] > d for a, b, c, d in taken)
            if clear and box[0] > frame.begin + 2 and box[2] < frame.end - 2:
                taken.append(box)
                found.append(
                    f'<text class="name" x="{x:.1f}" y="{mark.y + 4:.1f}" text-anchor="{anchor}">'
                    f"{escape(text)}</text>"
                )
                break
    return found


def _graticule(frame: Frame) -> str:
    box, parts = frame.box, []
    px = MARGIN - 8
    begin, end = frame.begin + px, frame.end - px
    west = box.west - (frame.left - begin) / (frame.scale * frame.squeeze)
    east = box.east + (end - (frame.left + (box.east - box.west) * frame.squeeze * frame.scale)) / (
        frame.scale * frame.squeeze
    )
    north = box.north + (frame.top - px) / frame.scale
    south = box.north - (frame.height - px - frame.top) / frame.scale
    for latitude in graticule(max(south, -90.0), min(north, 90.0)):
        y = float(frame.y(np.array(latitude)))
        text = degrees_text(latitude, "N", "S")
        parts.append(
            f'<path class="grid" d="M{begin:.0f} {y:.1f}H{end:.0f}"/>'
            f'<text x="{frame.begin + 4:.0f}" y="{y + 3.5:.1f}">{text}</text>'
        )
    for longitude in graticule(west, east):
        x = frame.left + (longitude - box.west) * frame.squeeze * frame.scale
        text = degrees_text(longitude, "E", "W")
        parts.append(
            f'<path class="grid" d="M{x:.1f} {px:.0f}V{frame.height - px:.0f}"/>'
            f'<text x="{x:.1f}" y="16" text-anchor="middle">{text}</text>'
        )
    return "".join(parts)


def _scale(frame: Frame) -> str:
    km, px = scale_bar(frame)
    y, x = frame.height - 20, frame.end - MARGIN - px
    return (
        f'<path class="scale" d="M{x:.1f} {y - 5:.0f}v5h{px:.1f}v-5"/>'
        f'<text x="{x + px / 2:.1f}" y="{y + 14:.0f}" text-anchor="middle">{km:,.4g} km at the middle</text>'
    )
