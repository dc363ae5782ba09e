"""A day that has closed, as daily detectors get it."""

from __future__ import annotations

from dataclasses import dataclass

from standingwatch.readings.fleet import BoolArray, FloatArray


@dataclass(frozen=True)
class Day:
    """A day that has just been closed.

    Attributes:
        number: days since 1970-01-01 UTC.
        end_us: its end [Unix microseconds].
        told_us: when what it shows is told: at its end and the grace for late readings [Unix microseconds].
        renewed: transmitters whose baseline was opened anew since the day before.
        wet: per transmitter and hour of the day, whether it was wet or may have been iced.
        frost: per site, whether it may have been iced at any hour of the day.
        clear: per site, whether it was certain at some hour of the day that it was not iced.
        temperature_told: per site, whether anybody there or in its region tells the temperature.
        rain_told: per site, whether anybody there or in its region tells precipitation.
        together: per site where nobody tells the temperature, whether its region rose together this day.
        went_back: per transmitter, whether its level went back by itself in the last days, most of the way.
        low_rho: per transmitter, the lower quarter of the day's hourly levels, NaN where there are none.
        normal_rho: per transmitter, the level of its baseline.
    """

    number: int
    end_us: int
    told_us: int
    renewed: BoolArray
    wet: BoolArray
    frost: BoolArray
    clear: BoolArray
    temperature_told: BoolArray
    rain_told: BoolArray
    together: BoolArray
    went_back: BoolArray
    low_rho: FloatArray
    normal_rho: FloatArray

    def by_weather(self) -> BoolArray:
        """Per site, whether what came this day may be weather that passes."""
        return self.frost | self.together
