"""The chart of a mail: the SWR of one transmitter over a fortnight, its baseline, and when the alarm came.

From hourly rollups; drawn by `notify/chart_drawing.py`.
"""

from __future__ import annotations

import numpy as np
from sqlalchemy import select

from standingwatch.notify.chart_drawing import DAYS, HOUR_US, draw_apart
from standingwatch.notify.content import content_of, one_line, unix_us
from standingwatch.rf import is_passive, swr_from_rho
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import Message
from standingwatch.store.watching import BaselineRow, present_baselines, rollup_frame


class EmailChart:
    """Draws the chart of a message about one transmitter.

    Args:
        store: where the rollups are.
    """

    def __init__(self, store: Store) -> None:
        self._store = store

    def __call__(self, message: Message) -> bytes | None:
        """The chart as PNG; None where the message is about no transmitter, or nothing was measured."""
        content = content_of(message)
        if not content.transmitter:
            return None
        columns = tables.transmitters.c
        query = select(columns.key).where(
            columns.site == content.site,
            columns.transmitter == content.transmitter,
            columns.removed_us.is_(None),
        )
        end_us = unix_us(content.changed) or message.made_us
        start_us = end_us - DAYS * 24 * HOUR_US
        with self._store.reading() as connection:
            key = connection.execute(query).scalar_one_or_none()
            if key is None:
                return None
            frame = rollup_frame(connection, start_us, end_us + HOUR_US, key)
            baseline = present_baselines(connection).get(key)
        rho = frame["rho_median"].to_numpy(dtype=np.float64)
        known = np.isfinite(rho) & is_passive(rho)
        if not known.any():
            return None
        hours = frame["hour_us"].to_numpy(dtype=np.int64)[known]
        swr = np.asarray(swr_from_rho(rho[known]), dtype=np.float64)
        name, word = one_line(content.where), one_line(content.condition) or "alarm"
        return draw_apart(name, hours, swr, _baseline_swr(baseline), end_us, word)


def _baseline_swr(baseline: BaselineRow | None) -> float | None:
    """SWR of a baseline; None without one."""
    if baseline is None or baseline.rho is None or not is_passive(baseline.rho):
        return None
    return float(swr_from_rho(baseline.rho))
