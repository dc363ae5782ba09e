"""Courses of figures over time: charts, and whether they are flat after a warm-up."""

from __future__ import annotations

import numpy as np
from scipy import stats

#: Share of the time that is warm-up, and growth that counts as none: a share, or less than one.
WARM_UP = 1 / 3
MOST_GROWTH = {"memory MB": 0.03}


def bars(values: np.ndarray, width: int = 60) -> str:
    """A line of a chart: the mean of each part of the time, from the least to the most."""
    parts = [part.mean() for part in np.array_split(values, min(width, len(values)))]
    low, high = min(parts), max(parts)
    span = max(high - low, 1e-9)
    return "".join("▁▂▃▄▅▆▇█"[int((one - low) / span * 7.99)] for one in parts)


def judged(name: str, at_s: np.ndarray, values: np.ndarray) -> tuple[bool, str]:
    """Whether a course is flat after the warm-up, and a sentence with its figures."""
    late = at_s >= at_s[-1] * WARM_UP
    at, kept = at_s[late], values[late]
    # Samples near each other are alike: means of parts are judged, so that the interval is honest.
    parts = min(40, len(kept))
    x = np.array([part.mean() for part in np.array_split(at, parts)])
    y = np.array([part.mean() for part in np.array_split(kept, parts)])
    slope, _, low, high = stats.theilslopes(y, x, 0.95)
    grown, typical = slope * (at[-1] - at[0]), float(np.median(kept))
    most = MOST_GROWTH[name] * typical if name in MOST_GROWTH else 1.0
    flat = grown < most or low <= 0
    return flat, (
        f"{name}: {'flat' if flat else 'GROWS'}, median {typical:.4g}, least {kept.min():.4g}, "
        f"most {kept.max():.4g}; slope {slope * 3600:+.3g} an hour (95 % {low * 3600:+.3g} to "
        f"{high * 3600:+.3g}), {grown:+.3g} since the warm-up"
    )


def svg(at_s: np.ndarray, columns: dict[str, np.ndarray]) -> str:
    """The chart as a picture."""
    wide, high, parts = 720, 120, []
    for number, (name, values) in enumerate(columns.items()):
        top = number * (high + 40) + 24
        low, most = float(values.min()), float(max(values.max(), values.min() + 1))
        points = " ".join(
            f"{60 + t / at_s[-1] * (wide - 70):.1f},{top + high - (v - low) / (most - low) * high:.1f}"
            for t, v in zip(at_s, values, strict=True)
        )
        parts.append(
            f'<text x="60" y="{top - 8}">{name}</text><text x="4" y="{top + high}">{low:.4g}</text>'
            f'<text x="4" y="{top + 10}">{most:.4g}</text>'
            f'<polyline points="{points}" fill="none" stroke="#246"/>'
        )
    total = len(columns) * (high + 40) + 24
    last = f'<text x="60" y="{total - 6}">0 to {at_s[-1] / 60:.0f} min</text>'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{total}" font-size="12" '
        f'font-family="sans-serif">{"".join(parts)}{last}</svg>\n'
    )
