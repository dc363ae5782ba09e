"""Weather by the hour: a temperature, rain and wind per region, each site's own shade of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

HOURS_A_DAY = 24


@dataclass(frozen=True)
class Weather:
    """Hourly weather of one site: temperature [degrees C], precipitation [mm/h], wind [m/s]."""

    temperature_c: Any
    precipitation: Any
    wind_mps: Any

    def wetness(self, drying_h: float) -> Any:
        """How wet an antenna is, 0 to 1: wet with rain, drying with the given time constant [h]."""
        wet = np.zeros(len(self.precipitation))
        keep = np.exp(-1.0 / drying_h)
        level = 0.0
        soaking = np.minimum(1.0, self.precipitation / 0.8)
        for hour, rain in enumerate(soaking):
            level = max(level * keep, float(rain))
            wet[hour] = level
        return wet


def region_weather(rng: np.random.Generator, days: int) -> Weather:
    """A region's weather: season, fronts, days and nights; wet spells with showers in them."""
    hours = days * HOURS_A_DAY
    hour = np.arange(hours)
    season = rng.uniform(-2.0, 16.0) + rng.uniform(5.0, 11.0) * np.sin(
        2 * np.pi * (hour / 24 / 365 + rng.uniform())
    )
    fronts = np.zeros(days + 1)
    for day in range(1, days + 1):
        fronts[day] = 0.8 * fronts[day - 1] + rng.normal(0, 2.0)
    daily = rng.uniform(2.0, 6.0) * np.sin(2 * np.pi * (hour % 24 - 9) / 24)
    temperature = season + np.interp(hour / 24, np.arange(days + 1), fronts) + daily
    rain = np.zeros(hours)
    at = 0
    dry_days, wet_days = rng.uniform(2.5, 6.0), rng.uniform(0.4, 1.5)
    while at < hours:
        at += int(24 * rng.gamma(1.2, dry_days / 1.2)) + 1
        until = min(hours, at + int(24 * rng.gamma(1.5, wet_days / 1.5)) + 2)
        if at >= hours:
            break
        showers = rng.random(until - at) < 0.65
        rain[at:until] = showers * rng.exponential(1.4, until - at)
        at = until
    wind = np.repeat(rng.weibull(2.0, days + 1) * 6.0, 24)[:hours] * rng.uniform(0.7, 1.3, hours)
    return Weather(temperature, np.round(rain, 1), np.round(wind, 1))


def site_weather(rng: np.random.Generator, region: Weather) -> Weather:
    """A site's shade of its region's weather: higher and colder, an hour or two apart, local showers."""
    shift = int(rng.integers(-2, 3))
    rain = np.roll(region.precipitation, shift) * rng.uniform(0.6, 1.4)
    rain = rain * (rng.random(len(rain)) > 0.1)
    temperature = region.temperature_c + rng.uniform(-4.0, 1.0) + rng.normal(0, 0.4, len(rain))
    return Weather(temperature, np.round(rain, 1), region.wind_mps * rng.uniform(0.8, 1.5))
