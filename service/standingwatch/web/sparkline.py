"""The course of a transmitter's SWR as a small drawing: inline SVG made here, without script."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from standingwatch.readings.fleet import FloatArray
from standingwatch.web import words

WIDTH, HEIGHT = 132, 28
_EDGE = 2.5

#: Ends of the SWR axis; each drawing takes the first that holds its values, so that calm ones look calm.
TOPS = (1.5, 1.8, 2.5, 4.0, 6.0, 10.0)


def sparkline(swr: FloatArray, baseline_swr: float, days: int) -> Markup:
    """Draw SWR over equal steps of time, oldest first.

    Args:
        swr: SWR at the transmitter [1], 1 or more, NaN for gaps; beyond the last of `TOPS` it is cut there.
        baseline_swr: level of the baseline [1], NaN for none.
        days: what the steps add up to [d].

    Returns:
        An `svg` element whose label says in words what it shows; "" if there is nothing to show.
    """
    known = ~np.isnan(swr)
    if not known.any():
        return Markup("")
    lowest, highest = float(swr[known].min()), float(swr[known].max())
    most = max(highest, baseline_swr) if np.isfinite(baseline_swr) else highest
    top = next((t for t in TOPS if most <= t), TOPS[-1])
    x = np.linspace(_EDGE, WIDTH - _EDGE, len(swr))
    y = _height(swr, top)
    last = int(np.flatnonzero(known)[-1])
    base = ""
    said = "no baseline yet"
    if np.isfinite(baseline_swr):
        level = float(_height(np.array([baseline_swr]), top)[0])
        base = f'<path class="base" d="M0 {level:.1f}H{WIDTH}"/>'
        said = f"baseline {words.swr(baseline_swr)}"
    label = (
        f"SWR over {days} days from {words.swr(lowest)} to {words.swr(highest)}, {said}; "
        f"drawn from 1:1 to {top:g}:1"
    )
    return Markup(  # noqa: S704  holds numbers and words of our own only
        f'<svg class="spark" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'aria-label="{label}"><title>{label}</title>{base}<path class="line" d="{path(x, y)}"/>'
        f'<circle cx="{x[last]:.1f}" cy="{y[last]:.1f}" r="2"/></svg>'
    )


def path(x: FloatArray, y: FloatArray) -> str:
    """A line through points as SVG path data; NaN in `y` breaks it. A lone point becomes a dot's width."""
    known = np.isfinite(y)
    parts = []
    pen_down = False
    for here, px, py in zip(known.tolist(), x.tolist(), y.tolist(), strict=True):
        if here:
            parts.append(f"{'L' if pen_down else 'M'}{px:.1f} {py:.1f}")
            if not pen_down:
                parts.append("h.1")
        pen_down = here
    return "".join(parts)


def _height(swr: FloatArray, top: float) -> FloatArray:
    share = (np.minimum(swr, top) - 1.0) / (top - 1.0)
    return HEIGHT - _EDGE - share * (HEIGHT - 2 * _EDGE)
