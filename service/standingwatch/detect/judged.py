"""Readings beside what is worked out about each of them once, for all detectors."""

from __future__ import annotations

from dataclasses import dataclass

from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Judged:
    """Rows of one length.

    Attributes:
        readings: as they came.
        channel: number of each one's channel.
        rho: at the transmitter, 0..1.
        least: the least rho that the meter's rounding allows, 0..1.
        usable: whether it can be judged.
        working: whether work is on record at its time.
    """

    readings: Readings
    channel: IntArray
    rho: FloatArray
    least: FloatArray
    usable: BoolArray
    working: BoolArray

    def take(self, rows: IntArray) -> Judged:
        """Some of them."""
        return Judged(
            self.readings.take(rows),
            self.channel[rows],
            self.rho[rows],
            self.least[rows],
            self.usable[rows],
            self.working[rows],
        )
