"""The forecast of daily levels, for the transmitters that need one, as findings carry it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standingwatch.detect.forecast import Forecasts, Says, forecast
from standingwatch.detect.history import DAY_US, DAYS, adjusted
from standingwatch.detect.interface import Block, LimitForecast
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.rf import rho_from_swr

#: The limits that a forecast is about; the last is the most that many transmitters are specified to stand
#: (common practice, no source).
LIMITS = ("swr-1.5", "swr-2", "foldback", "tolerance", "swr-3")

#: The forecast of nobody.
NOTHING = forecast(np.empty((0, 1)), np.empty(0), np.empty(0), np.empty((0, len(LIMITS))))

IN_WORDS = {
    Says.EXPECTED: "expected",
    Says.REACHED: "reached",
    Says.TOO_FEW_DAYS: "cannot say: too few days with a level since it began to move",
    Says.NO_TREND: "cannot say: it does not rise steadily",
    Says.TOO_FAR: "not within a year at the present rate",
    Says.NO_LIMIT: "no such limit",
}


@dataclass(frozen=True)
class Outlook:
    """Forecasts of some transmitters at the end of a day.

    Attributes:
        rows: position in the fleet of each row of `found`.
        found: the forecasts, in days.
        swr: the limits as SWR, shape (rows, limits).
        end_us: end of the day [Unix microseconds].
    """

    rows: IntArray
    found: Forecasts
    swr: FloatArray
    end_us: int

    @classmethod
    def of(cls, block: Block, fleet: Fleet, which: BoolArray) -> Outlook:
        """Forecasts for the transmitters where `which` is true, at the close of the block's day."""
        state = block.base.state
        rows = np.flatnonzero(which)
        if len(rows) == 0:
            return cls(rows, NOTHING, np.empty((0, len(LIMITS))), block.closed_day().end_us)
        swr = np.column_stack(
            [
                np.full(len(rows), 1.5),
                np.full(len(rows), 2.0),
                fleet.foldback_swr[rows],
                fleet.tolerance_swr[rows],
                np.full(len(rows), 3.0),
            ]
        )
        found = forecast(
            adjusted(state[rows], block.closed_day().number, DAYS),
            state["rho"][rows],
            state["spread"][rows],
            np.where(np.isfinite(swr), rho_from_swr(np.where(np.isfinite(swr), swr, 1.0)), np.nan),
        )
        return cls(rows, found, swr, block.closed_day().end_us)

    def _row(self, position: int) -> int:
        row = int(np.searchsorted(self.rows, position))
        return row if row < len(self.rows) and self.rows[row] == position else -1

    def days_left(self, position: int) -> float:
        """Days until the first of foldback, tolerance and 3:1 is expected; NaN if it cannot be said."""
        row = self._row(position)
        if row < 0:
            return np.nan
        days = self.found.mid_days[row, 2:]
        return float(np.fmin.reduce(days)) if np.isfinite(days).any() else np.nan

    def forecasts(self, position: int) -> tuple[LimitForecast, ...]:
        """The forecast of each limit of one transmitter."""
        row = self._row(position)
        if row < 0:
            return ()
        found = self.found
        return tuple(
            LimitForecast(
                limit=limit,
                swr=float(self.swr[row, i]),
                says=IN_WORDS[Says(int(found.says[row, i]))],
                earliest_us=self._when(found.low_days[row, i]),
                expected_us=self._when(found.mid_days[row, i]),
                latest_us=self._when(found.high_days[row, i]),
            )
            for i, limit in enumerate(LIMITS)
            if np.isfinite(self.swr[row, i]) and limit != "swr-3"
        )

    def _when(self, days: float) -> int | None:
        return self.end_us + round(days * DAY_US) if np.isfinite(days) else None
