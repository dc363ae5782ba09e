"""The chart of a mail: drawn from rollups, a PNG that decodes, nothing where there is nothing to draw."""

from __future__ import annotations

import struct
import zlib
from typing import Any

import numpy as np
import pytest
from sqlalchemy import insert

from standingwatch.detect.words import Condition, Severity
from standingwatch.notify.chart_drawing import DAYS, HEIGHT, TOP_SWR, WIDTH, draw_apart
from standingwatch.notify.drawing import ChartError
from standingwatch.notify.email_chart import EmailChart
from standingwatch.store import tables
from standingwatch.store.connect import Store

HOUR_US = 3_600_000_000
NOW_US = 1_795_000_000_000_000 - 1_795_000_000_000_000 % HOUR_US


def decoded(png: bytes) -> np.ndarray[Any, Any]:
    """Pixels of a PNG of eight bits a channel, by the chunks and filters of the PNG specification."""
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    at, data, width, height, colour = 8, b"", 0, 0, 0
    while at < len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        chunk = png[at + 8 : at + 8 + length]
        assert struct.unpack(">I", png[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + chunk)
        if kind == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", chunk[:10])
            assert depth == 8
        elif kind == b"IDAT":
            data += chunk
        at += 12 + length
    channels = {2: 3, 6: 4}[colour]
    raw = np.frombuffer(zlib.decompress(data), dtype=np.uint8).reshape(height, 1 + width * channels)
    rows = np.zeros((height, width * channels), dtype=np.int64)
    for y in range(height):
        kind, line = int(raw[y, 0]), raw[y, 1:].astype(np.int64)
        above = rows[y - 1] if y else np.zeros_like(line)
        if kind == 0:
            rows[y] = line
        elif kind == 2:
            rows[y] = (line + above) % 256
        else:
            for x in range(len(line)):
                left = int(rows[y, x - channels]) if x >= channels else 0
                corner = int(above[x - channels]) if x >= channels else 0
                up = int(above[x])
                guess = left + up - corner
                nearest = min((abs(guess - v), i, v) for i, v in enumerate((left, up, corner)))[2]
                rows[y, x] = (line[x] + {1: left, 3: (left + up) // 2, 4: nearest}[kind]) % 256
    return rows.reshape(height, width, channels)[:, :, :3]


def has(pixels: np.ndarray[Any, Any], colour: str) -> int:
    """How many pixels have a colour."""
    wanted = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    # The edges of lines are mixed with what is under them.
    return int((np.abs(pixels - wanted) <= 30).all(axis=2).sum())


@pytest.fixture
def filled(store: Store) -> Store:
    """A transmitter with a fortnight of hours and a baseline."""
    names = [c.name for c in tables.rollups.columns]
    rows = []
    for hour in range(DAYS * 24):
        row: dict[str, Any] = dict.fromkeys(names)
        row |= {
            "transmitter": 1,
            "hour_us": NOW_US - (DAYS * 24 - hour) * HOUR_US,
            "reports": 12,
            "usable": 12,
            "rho_median": None if 100 < hour < 130 else 0.1 + 0.0005 * hour,
        }
        rows.append(row)
    with store.writing() as connection:
        connection.execute(
            insert(tables.transmitters).values(
                key=1, site="alder-ridge", transmitter="rpt-1", position=0, row="{}"
            )
        )
        connection.execute(insert(tables.rollups), rows)
        connection.execute(
            insert(tables.baselines).values(
                transmitter=1, version=1, time_us=0, kind="full", rho=0.1, spread=0.01, reason="x"
            )
        )
    return store


def test_it_draws_line_baseline_and_alarm(filled: Store, event_message: Any) -> None:
    png = EmailChart(filled)(event_message(Severity.MAJOR, made_us=NOW_US))
    assert png is not None
    assert len(png) < 200_000  # a small part of what mail servers take
    pixels = decoded(png)
    assert pixels.shape[0] >= HEIGHT
    assert pixels.shape[1] >= WIDTH
    # The line of the hours, the baseline, the moment of the alarm.
    assert has(pixels, "#0072b2") > 100
    assert has(pixels, "#00684c") > 50
    assert has(pixels, "#d55e00") > 100


def test_nothing_is_drawn_where_there_is_nothing(
    filled: Store, event_message: Any, other_message: Any
) -> None:
    chart = EmailChart(filled)
    assert chart(event_message(made_us=NOW_US, transmitter="")) is None
    assert chart(event_message(made_us=NOW_US, transmitter="rpt-9")) is None
    weather = event_message(
        made_us=NOW_US, site="", transmitter="", condition=Condition.SWR_WEATHER, region="North"
    )
    assert chart(weather) is None
    assert chart(event_message(made_us=NOW_US + 100 * 24 * HOUR_US)) is None
    summary = {"severity": "major", "text": "x", "site": "alder-ridge", "transmitter": None}
    assert chart(other_message("summary", summary)) is None


def test_an_infinite_swr_and_markup_in_a_name_are_drawn() -> None:
    hours = NOW_US - np.arange(48, 0, -1, dtype=np.int64) * HOUR_US
    swr = np.full(48, 1.3)
    swr[-1] = np.inf
    png = draw_apart('<script>"& Ω', hours, swr, None, NOW_US, "swr-high")
    flat = draw_apart("a/b", hours, np.full(48, 1.05), 1.0, NOW_US, "swr-high")
    beyond = draw_apart("a/b", hours, np.full(48, 50.0), TOP_SWR * 3, NOW_US, "swr-high")
    for picture in (png, flat, beyond):
        assert has(decoded(picture), "#0072b2") > 20


def test_what_ends_the_renderer_s_process_is_an_error_of_the_chart_alone(
    filled: Store, event_message: Any
) -> None:
    hours = np.array([NOW_US - HOUR_US, NOW_US], dtype=np.int64)
    with pytest.raises(ChartError, match="ended with status"):
        draw_apart("a\x00b", hours, np.array([1.2, 1.3]), None, NOW_US, "swr-high")
    # Names come without such characters.
    with filled.writing() as connection:
        connection.execute(tables.transmitters.update().values(site="a\x01b"))
    assert EmailChart(filled)(event_message(site="a\x01b", made_us=NOW_US)) is not None
