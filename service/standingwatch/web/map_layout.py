"""Where things lie on the map: projection, sites that overlap, lines of latitude and longitude, the scale.

Plain equirectangular: a degree of longitude is drawn as long as it is at the middle of the map. Good for a
country; across a continent distances at the edges are off, which the scale says ("at the middle").
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standingwatch.readings import IntArray
from standingwatch.readings.fleet import FloatArray

#: Width of the drawing, and the least and the most height [px].
WIDTH, LEAST_HEIGHT, MOST_HEIGHT = 960.0, 420.0, 880.0

#: Free space around the sites [px]; the figures of the graticule stand in it.
MARGIN = 56.0

#: Beside the sites, beyond the margin, for names of the outermost [px].
NAME_ROOM = 90.0

#: Sites nearer to each other than this are joined [px].
JOIN_PX = 17.0

#: No map shows less than this from edge to edge [degrees].
LEAST_SPAN_DEG = 0.01

#: Length of a degree of latitude on a sphere of 6,371 km [km].
KM_A_DEGREE = math.pi * 6371.0 / 180.0

#: Steps of the graticule [minutes of arc].
_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800)


@dataclass(frozen=True)
class Box:
    """A part of the earth [degrees]; `east` is above `west` also across the line of 180 degrees."""

    west: float
    south: float
    east: float
    north: float

    def holds(self, latitude: FloatArray, longitude: FloatArray) -> np.typing.NDArray[np.bool_]:
        """Which places lie in it."""
        along = (longitude - self.west) % 360.0
        inside: np.typing.NDArray[np.bool_] = (
            (latitude >= self.south) & (latitude <= self.north) & (along <= self.east - self.west)
        )
        return inside


def box_around(latitude: FloatArray, longitude: FloatArray, share: float = 0.0) -> Box:
    """The smallest box around some places, and a share of its size more on each side; never all too small.

    Args:
        latitude, longitude: one place or more [degrees].
        share: of its size, 0 or more.
    """
    # Across the line of 180 degrees the other way around is shorter.
    turned = np.where(longitude < 0.0, longitude + 360.0, longitude)
    if np.ptp(turned) < np.ptp(longitude):
        longitude = turned
    south, north = float(latitude.min()), float(latitude.max())
    west, east = float(longitude.min()), float(longitude.max())
    tall = max((north - south) * (1 + 2 * share), LEAST_SPAN_DEG)
    wide = max((east - west) * (1 + 2 * share), LEAST_SPAN_DEG)
    middle_lat, middle_lon = (south + north) / 2, (west + east) / 2
    return Box(
        middle_lon - wide / 2,
        max(middle_lat - tall / 2, -90.0),
        middle_lon + wide / 2,
        min(middle_lat + tall / 2, 90.0),
    )


@dataclass(frozen=True)
class Frame:
    """How a box is drawn.

    Attributes:
        box: what is drawn.
        height: of the drawing [px].
        scale: pixels a degree of latitude.
        squeeze: length of a degree of longitude over one of latitude, at the middle [1].
        left, top: where the box begins [px].
    """

    box: Box
    height: float
    scale: float
    squeeze: float
    left: float
    top: float

    @property
    def begin(self) -> float:
        """Where the drawing begins [px]: a country that is tall leaves its sides out, for narrow windows."""
        return max(0.0, self.left - MARGIN - NAME_ROOM)

    @property
    def end(self) -> float:
        """Where the drawing ends [px]."""
        return WIDTH - self.begin

    def x(self, longitude: FloatArray) -> FloatArray:
        """Pixels from the left edge."""
        return self.left + ((longitude - self.box.west) % 360.0) * self.squeeze * self.scale

    def y(self, latitude: FloatArray) -> FloatArray:
        """Pixels from the upper edge."""
        return self.top + (self.box.north - latitude) * self.scale


def frame_of(box: Box) -> Frame:
    """Fit a box into the drawing, in the middle of it."""
    squeeze = max(math.cos(math.radians((box.south + box.north) / 2)), 0.02)
    wide, tall = (box.east - box.west) * squeeze, box.north - box.south
    scale = (WIDTH - 2 * MARGIN) / wide
    height = min(max(tall * scale + 2 * MARGIN, LEAST_HEIGHT), MOST_HEIGHT)
    scale = min(scale, (height - 2 * MARGIN) / tall)
    return Frame(box, height, scale, squeeze, (WIDTH - wide * scale) / 2, (height - tall * scale) / 2)


def joined(x: FloatArray, y: FloatArray, severity: IntArray) -> list[IntArray]:
    """Join what lies too near to each other to be told apart.

    Args:
        x, y: where each lies [px].
        severity: how grave each is: the gravest draws its neighbours to itself.

    Returns:
        The members of each mark, as positions in what was given; the first of each is where the mark stands.
        Gravest first.
    """
    order = np.lexsort((np.arange(len(x)), -severity))
    cell_x, cell_y = (x // JOIN_PX).astype(np.int64), (y // JOIN_PX).astype(np.int64)
    cells: dict[tuple[int, int], list[int]] = {}
    for at, cell in enumerate(zip(cell_x.tolist(), cell_y.tolist(), strict=True)):
        cells.setdefault(cell, []).append(at)
    free = np.ones(len(x), dtype=np.bool_)
    marks = []
    for first in order.tolist():
        if not free[first]:
            continue
        across, down = int(cell_x[first]), int(cell_y[first])
        near = np.array(
            [
                one
                for i in (across - 1, across, across + 1)
                for j in (down - 1, down, down + 1)
                for one in cells.get((i, j), ())
            ],
            dtype=np.int64,
        )
        near = near[free[near]]
        near = near[np.hypot(x[near] - x[first], y[near] - y[first]) < JOIN_PX]
        free[near] = False
        marks.append(np.concatenate([[first], near[near != first]]).astype(np.int64))
    return marks


def graticule(low: float, high: float, most: int = 7) -> list[float]:
    """Round degrees between two, no more than so many."""
    span_min = (high - low) * 60.0
    step = next((step for step in _STEPS_MIN if span_min / step <= most), _STEPS_MIN[-1])
    first = math.ceil(low * 60.0 / step - 1e-9)
    last = math.floor(high * 60.0 / step + 1e-9)
    return [number * step / 60.0 for number in range(first, last + 1)]


def degrees_text(degrees: float, positive: str, negative: str) -> str:
    """A latitude or longitude in degrees and minutes: "52° 30′ N"."""
    degrees = (degrees + 180.0) % 360.0 - 180.0 if positive == "E" else degrees
    minutes = round(abs(degrees) * 60.0)
    sign = (positive if degrees > 0 else negative) if minutes else ""
    text = f"{minutes // 60}°" + (f" {minutes % 60:02d}′" if minutes % 60 else "")
    return f"{text} {sign}".strip()


def scale_bar(frame: Frame, most_px: float = 170.0) -> tuple[float, float]:
    """A round length on the map: kilometres, and how many pixels that is at the middle."""
    km_a_px = KM_A_DEGREE / frame.scale
    most_km = most_px * km_a_px
    power = 10.0 ** math.floor(math.log10(most_km))
    km = next(step * power for step in (5.0, 2.0, 1.0) if step * power <= most_km)
    return km, km / km_a_px
