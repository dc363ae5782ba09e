"""Weather of the invented country: hourly, by region, carried to each site by its height.

Temperature is a season, a day and a slow wandering part; rain comes in spells (two states, wet and dry);
wind wanders and grows in rain. From them follow the water film on an antenna, the water soaked into the
ground and into leaks, and ice. Everything starts 30 days before each 32-day block from hashed noise, and
forgets its start well within these 30 days, so blocks join without a seam and any hour can be asked for in
any order.

Figures are invented for the demo to look like a cool maritime land, except the fall of temperature with
height (6.5 K/km, International Standard Atmosphere, ISO 2533).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from standingwatch.demo.chance import FloatArray, IntArray, normal, uniform

HOUR_S = 3600
BLOCK_HOURS = 32 * 24
SPIN_UP_HOURS = 30 * 24
BLOCKS_KEPT = 16

UTC_OFFSET_HOURS = 1
"""The country keeps one clock, one hour ahead of UTC, all year."""

LAPSE_K_PER_M = 0.0065

WET_SPELL_START_PER_HOUR = 1 / 45
WET_SPELL_END_PER_HOUR = 1 / 7
MEAN_RAIN_MM_PER_HOUR = 1.1
NATIONAL_SHARE = 0.55
"""Share of hours in which a region's rain follows the national chance instead of its own."""

_RAIN_STATE, _RAIN_SHARE, _RAIN_RATE, _WARMTH, _WIND = 11, 12, 13, 14, 15
_NATION = 1000


@dataclass(frozen=True)
class WeatherHours:
    """Weather at given times, one element per time.

    Attributes:
        temperature_c: air temperature [degree C].
        rain_mm_per_hour: precipitation, rain or snow, as water [mm/h].
        wind_mps: mean wind [m/s].
        film: water film on outdoor surfaces, 0 dry to 1 streaming wet.
        soak: water held in ground and leaks, 0 dry to 1 saturated.
        ice_mm: radial ice on antennas [mm].
    """

    temperature_c: FloatArray
    rain_mm_per_hour: FloatArray
    wind_mps: FloatArray
    film: FloatArray
    soak: FloatArray
    ice_mm: FloatArray


class Weather:
    """Hourly weather of all sites, deterministic in the seed.

    Args:
        region_of_site: region number of each site, shape (sites,).
        elevation_m: height of each site [m], shape (sites,).
        mean_temperature_c: yearly mean of each region at sea level [degree C], shape (regions,).
        mean_wind_mps: median wind of each region [m/s], shape (regions,).
        seed: any whole number.
    """

    def __init__(
        self,
        region_of_site: IntArray,
        elevation_m: FloatArray,
        mean_temperature_c: FloatArray,
        mean_wind_mps: FloatArray,
        seed: int,
    ) -> None:
        self._region_of_site = region_of_site
        self._elevation_m = elevation_m
        self._mean_temperature_c = mean_temperature_c
        self._mean_wind_mps = mean_wind_mps
        self._seed = seed
        self._blocks: dict[int, npt.NDArray[np.float64]] = {}

    def at(self, site: IntArray, time_s: FloatArray) -> WeatherHours:
        """Return the weather at sites and times, between the hours by straight lines.

        Args:
            site: site numbers, shape (n,).
            time_s: Unix seconds, shape (n,).
        """
        hours = time_s / HOUR_S
        first = np.floor(hours).astype(np.int64)
        if not len(first):
            empty = np.empty(0)
            return WeatherHours(empty, empty, empty, empty, empty, empty)
        start = int(first.min())
        table = self.hours(start, int(first.max()) + 2)
        share = (hours - first)[:, None]
        values = table[first - start, site] * (1.0 - share) + table[first - start + 1, site] * share
        return WeatherHours(*(values[:, i] for i in range(6)))

    def hours(self, start_hour: int, end_hour: int) -> npt.NDArray[np.float64]:
        """Return the hourly table for hours since 1970, [start_hour, end_hour).

        Returns:
            Shape (hours, sites, 6), the last axis in the order of `WeatherHours`.
        """
        first, last = start_hour // BLOCK_HOURS, (end_hour - 1) // BLOCK_HOURS
        tables = [self._block(number) for number in range(first, last + 1)]
        table = tables[0] if len(tables) == 1 else np.concatenate(tables)
        offset = start_hour - first * BLOCK_HOURS
        return table[offset : offset + end_hour - start_hour]

    def _block(self, number: int) -> npt.NDArray[np.float64]:
        """Return one block of hours, made once and kept until enough younger ones were asked for."""
        if number not in self._blocks:
            if len(self._blocks) >= BLOCKS_KEPT:
                del self._blocks[next(iter(self._blocks))]
            self._blocks[number] = self._make_block(number)
        return self._blocks[number]

    def _make_block(self, number: int) -> npt.NDArray[np.float64]:
        """Make the hours of one block, with the run-up that lets the start be forgotten."""
        hour = np.arange(number * BLOCK_HOURS - SPIN_UP_HOURS, (number + 1) * BLOCK_HOURS, dtype=np.int64)
        region_rain, region_warmth, region_wind = self._regions(hour)
        local_hour = hour + UTC_OFFSET_HOURS
        year = 2.0 * np.pi * (local_hour / 24.0 - 20.0) / 365.2425
        day = 2.0 * np.pi * (local_hour % 24 - 15.0) / 24.0
        swing = 3.0 - 1.5 * np.cos(year)
        common = -8.5 * np.cos(year) + swing * np.cos(day)
        region = self._region_of_site
        rain = region_rain[:, region]
        temperature = (
            (self._mean_temperature_c[region] - LAPSE_K_PER_M * self._elevation_m)[None, :]
            + common[:, None]
            + region_warmth[:, region]
            - 1.5 * (rain > 0)
        )
        wind = region_wind[:, region] * (1.0 + self._elevation_m / 1500.0)
        film, soak, ice = _surface(temperature, rain, wind)
        table = np.stack([temperature, rain, wind, film, soak, ice], axis=-1)
        return np.ascontiguousarray(table[SPIN_UP_HOURS:])

    def _regions(self, hour: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return rain [mm/h], departure of temperature [K] and wind [m/s] by hour and region."""
        seed, count = self._seed, len(self._mean_temperature_c)
        who = np.arange(count, dtype=np.int64)[None, :]
        when = hour[:, None]
        nation = np.full((1, 1), _NATION, dtype=np.int64)
        shared = uniform(seed, _RAIN_SHARE, who, when) < NATIONAL_SHARE
        chance = np.where(
            shared, uniform(seed, _RAIN_STATE, nation, when), uniform(seed, _RAIN_STATE, who, when)
        )
        # One number decides both ways out of a state, so two runs from different starts soon agree for good.
        stays_wet, turns_wet = chance < 1.0 - WET_SPELL_END_PER_HOUR, chance < WET_SPELL_START_PER_HOUR
        wet = np.zeros(chance.shape, dtype=np.bool_)
        now = np.zeros(count, dtype=np.bool_)
        for i in range(len(hour)):
            now = np.where(now, stays_wet[i], turns_wet[i])
            wet[i] = now
        rate = -MEAN_RAIN_MM_PER_HOUR * np.log1p(-uniform(seed, _RAIN_RATE, who, when))
        rain = np.where(wet, np.maximum(rate, 0.1), 0.0)
        warmth = 2.2 * _wander(normal(seed, _WARMTH, nation, when), 60.0) + 1.2 * _wander(
            normal(seed, _WARMTH, who, when), 24.0
        )
        gusts = 0.35 * _wander(normal(seed, _WIND, nation, when), 20.0) + 0.35 * _wander(
            normal(seed, _WIND, who, when), 8.0
        )
        wind = self._mean_wind_mps[None, :] * np.exp(gusts + 0.25 * wet)
        return rain, warmth, wind


def _wander(noise: FloatArray, memory_hours: float) -> FloatArray:
    """Return a first-order autoregressive series of unit variance along the first axis."""
    keep = float(np.exp(-1.0 / memory_hours))
    push = noise * np.sqrt(1.0 - keep**2)
    out = np.empty_like(noise)
    now = np.zeros(noise.shape[1])
    for i in range(len(noise)):
        now = keep * now + push[i]
        out[i] = now
    return out


def _surface(
    temperature: FloatArray, rain: FloatArray, wind: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return film, soak and ice by hour and site; each gains with precipitation and loses with time."""
    film_keep = np.exp(-(1.0 + wind / 8.0) / 2.5)
    soak_keep = float(np.exp(-1.0 / 84.0))
    frozen = temperature < 0.5
    liquid = np.where(frozen, 0.0, rain)
    film_gain, soak_gain = 1.0 - np.exp(-liquid / 0.5), liquid / 25.0
    # Wet snow and rime cling between -8 and +0.5 degree C; colder snow is dry and blows off.
    ice_gain = np.where(frozen & (temperature > -8.0), 0.8 * rain, 0.0)
    ice_loss = 0.03 + 1.5 * np.clip(temperature - 0.5, 0.0, None)
    film, soak, ice = (np.empty_like(rain) for _ in range(3))
    film_now, soak_now, ice_now = (np.zeros(rain.shape[1]) for _ in range(3))
    for i in range(len(rain)):
        film_now = np.maximum(film_now * film_keep[i], film_gain[i])
        soak_now = np.minimum(soak_now * soak_keep + soak_gain[i], 1.0)
        ice_now = np.clip(ice_now + ice_gain[i] - ice_loss[i], 0.0, 25.0)
        film[i], soak[i], ice[i] = film_now, soak_now, ice_now
    return film, soak, ice
