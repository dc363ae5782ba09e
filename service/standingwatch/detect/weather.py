"""What the weather is at each site by the hour: temperature, how wet, whether iced.

Taken from the site's own reports; where it has none, from its region's. A region that never reports rain has
its wetness inferred: when most of its transmitters rise together within an hour, it is not their antennas
that fail (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from standingwatch.detect.history import nan_median
from standingwatch.detect.interface import State
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray

#: An antenna dries like this after rain [h] (common practice: hours; no source).
DRYING_H = 8.0
#: Precipitation, as reported, from which an hour counts as rain. Sites report mm/h or a flag.
RAIN = 0.05
#: Below this wetness an hour counts as dry.
DRY = 0.2
FREEZING_C = 0.5
THAW_C = 1.0
#: Ice is gone after so many hours of thaw in a row [h] (common practice: some hours; no source).
THAW_HOURS = 8

#: A region's wetness is inferred from at least so many transmitters of so many sites.
LEAST_MOVERS = 6
LEAST_SITES = 3
#: Their median rise, in multiples of each one's own hourly spread, at which the region counts as wet.
TOGETHER = 1.5

SITE_STATE = np.dtype(
    [
        ("wet", np.float64),
        ("iced", np.bool_),
        ("frozen", np.bool_),
        ("thaw_hours", np.int16),
        ("frost_today", np.bool_),
        ("clear_today", np.bool_),
        ("temperature_c", np.float64),
        ("temperature_us", np.int64),
        ("tells_rain", np.bool_),
        ("tells_temperature", np.bool_),
    ]
)


@dataclass(frozen=True)
class HourWeather:
    """Weather of each hour row.

    Attributes:
        temperature_c: outside temperature [degrees C], NaN where nobody nearby tells it.
        wet: 0 dry to 1 in the rain.
        iced: whether it froze with precipitation and has not thawed since.
        frost: the same, and where nobody tells precipitation, whether it froze at all and has not thawed.
        wind_mps: highest wind [m/s], NaN where it is not told.
        ended_us: ends of the hours that there are rows of [Unix microseconds].
        tells_sites: whether the temperature is told at each site or near it, at the same moments.
        frost_sites: whether each site may be iced (`frost`) before the first of those hours, and after each.
    """

    temperature_c: FloatArray
    wet: FloatArray
    iced: BoolArray
    frost: BoolArray
    wind_mps: FloatArray
    ended_us: IntArray
    frost_sites: BoolArray
    tells_sites: BoolArray

    def frost_at(self, site: int, time_us: int, grace_us: int) -> bool:
        """Whether a site may have been iced, as far as was known at a time: from hours closed by then."""
        return bool(self.frost_sites[np.searchsorted(self.ended_us + grace_us, time_us, "right"), site])

    def temperature_told_at(self, site: int, time_us: int, grace_us: int) -> bool:
        """Whether the temperature of a site is told, so that ice can be ruled out; as `frost_at`."""
        return bool(self.tells_sites[np.searchsorted(self.ended_us + grace_us, time_us, "right"), site])


def initial(sites: State) -> None:
    """Dry, and nothing told."""
    sites["temperature_c"] = np.nan


def hour_weather(
    hours: Hours, fleet: Fleet, sites: State, normal_rho: FloatArray, spread_rho: FloatArray
) -> HourWeather:
    """Weather of the rows of `hours`, which continue those of earlier calls; `sites` is brought up to date.

    Args:
        hours: closed hours, sorted by hour.
        fleet: the transmitters.
        sites: a record of `SITE_STATE` per site.
        normal_rho: normal level of rho per row, NaN where there is no baseline.
        spread_rho: its hourly spread per row.
    """
    rows = len(hours)
    begins = np.flatnonzero(np.r_[True, hours.hour_us[1:] != hours.hour_us[:-1]]) if rows else np.arange(0)
    weather = HourWeather(
        np.full(rows, np.nan),
        np.zeros(rows),
        np.zeros(rows, dtype=np.bool_),
        np.zeros(rows, dtype=np.bool_),
        np.full(rows, np.nan),
        hours.hour_us[begins] + HOUR_US,
        np.tile(may_be_iced(sites), (len(begins) + 1, 1)),
        np.tile(sites["tells_temperature"], (len(begins) + 1, 1)),
    )
    if rows == 0:
        return weather
    site = fleet.site_of[hours.transmitter]
    region_of_site = _region_of_site(fleet)
    which = np.repeat(np.arange(len(begins)), np.diff(np.r_[begins, rows]))
    tells = sites["tells_rain"].all()
    moved = (hours.rho_median - normal_rho) / spread_rho
    together = None if tells else _moving_together(moved, which, hours.transmitter, fleet, region_of_site)
    unknown = np.full(len(sites), np.nan)

    def site_means(column: FloatArray) -> Callable[[slice], FloatArray]:
        """What each site's transmitters report in some rows, as `_site_mean`."""
        if not np.isfinite(column).any():
            # Most fleets do not tell: not looked for anew every hour.
            return lambda _: unknown
        return lambda part: _site_mean(column[part], site[part], region_of_site)

    rain_of, temperature_of = site_means(hours.precipitation), site_means(hours.ambient_temperature_c)
    wind_of = site_means(hours.wind_mps)
    for number, (begin, end) in enumerate(zip(begins, np.r_[begins[1:], rows], strict=True)):
        part = slice(begin, end)
        here = site[part]
        hour_us = int(hours.hour_us[begin])
        rain, temperature = rain_of(part), temperature_of(part)
        sites["tells_rain"] |= np.isfinite(rain)
        sites["tells_temperature"] |= np.isfinite(temperature)
        known = np.isfinite(temperature)
        sites["temperature_c"][known] = temperature[known]
        sites["temperature_us"][known] = hour_us
        stale = hour_us - sites["temperature_us"] > 3 * HOUR_US
        sites["temperature_c"][stale] = np.nan
        soaked = np.where(rain > RAIN, 1.0, 0.0)
        if together is not None:
            soaked = np.where(sites["tells_rain"], soaked, together[number])
        cold = sites["temperature_c"] <= FREEZING_C
        thaws = sites["temperature_c"] >= THAW_C
        sites["thaw_hours"] = np.where(thaws, np.minimum(sites["thaw_hours"] + 1, THAW_HOURS), 0)
        warm = sites["thaw_hours"] >= THAW_HOURS
        sites["iced"] = (sites["iced"] | (cold & (soaked > 0))) & ~warm
        # Snow and what is frozen do not wet an antenna; ice is told apart.
        sites["wet"] = np.maximum(sites["wet"] * np.exp(-1.0 / DRYING_H), np.where(cold, 0.0, soaked))
        weather.temperature_c[part] = sites["temperature_c"][here]
        weather.wet[part] = sites["wet"][here]
        weather.iced[part] = sites["iced"][here]
        sites["frozen"] = (sites["frozen"] | cold) & ~warm
        frost = may_be_iced(sites)
        sites["frost_today"] |= frost
        sites["clear_today"] |= ~frost
        weather.frost[part] = frost[here]
        weather.frost_sites[number + 1] = frost
        weather.tells_sites[number + 1] = sites["tells_temperature"]
        weather.wind_mps[part] = wind_of(part)[here]
    return weather


def may_be_iced(sites: State) -> BoolArray:
    """Whether each site may be iced: for certain, or frozen where nobody tells precipitation."""
    frost: BoolArray = sites["iced"] | (sites["frozen"] & ~sites["tells_rain"])
    return frost


def _region_of_site(fleet: Fleet) -> IntArray:
    """Position of each site's region: that of its first transmitter."""
    _, first = np.unique(fleet.site_of, return_index=True)
    region: IntArray = fleet.region_of[first]
    return region


def _site_mean(value: FloatArray, site: IntArray, region_of_site: IntArray) -> FloatArray:
    """Mean per site of what its transmitters report; of its region's sites where it reports nothing."""
    sites = len(region_of_site)
    mean = np.full(sites, np.nan)
    finite = np.isfinite(value)
    if not finite.any():
        return mean
    count = np.bincount(site[finite], minlength=sites)
    total = np.bincount(site[finite], weights=value[finite], minlength=sites)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    told = count > 0
    regions = int(region_of_site.max()) + 1
    sites_told = np.bincount(region_of_site[told], minlength=regions)
    by_region = np.bincount(region_of_site[told], weights=mean[told], minlength=regions)
    by_region = np.where(sites_told > 0, by_region / np.maximum(sites_told, 1), np.nan)
    result: FloatArray = np.where(told, mean, by_region[region_of_site])
    return result


def _moving_together(
    moved: FloatArray, hour: IntArray, transmitter: IntArray, fleet: Fleet, region_of_site: IntArray
) -> FloatArray:
    """1 for the hours and sites whose region's transmitters mostly have risen, else 0; shape (hours, sites).

    Args:
        moved: rise per row, in multiples of each one's own hourly spread, NaN where it is not known.
        hour: number of the row's hour in the block.
        transmitter: position per row.
        fleet: the transmitters.
        region_of_site: region per site.
    """
    hours = int(hour[-1]) + 1
    table = np.full((hours, len(fleet)), np.nan)
    table[hour, transmitter] = moved
    result = np.zeros((hours, len(region_of_site)))
    for region in range(len(fleet.region_names)):
        mine = np.flatnonzero(fleet.region_of == region)
        known = np.isfinite(table[:, mine])
        enough = known.sum(axis=1) >= LEAST_MOVERS
        if not enough.any():
            continue
        by_site = np.argsort(fleet.site_of[mine], kind="stable")
        starts = np.unique(fleet.site_of[mine][by_site], return_index=True)[1]
        heard = np.logical_or.reduceat(known[:, by_site], starts, axis=1)
        risen = nan_median(table[:, mine]) >= TOGETHER
        together = enough & risen & (heard.sum(axis=1) >= LEAST_SITES)
        result[np.ix_(together, region_of_site == region)] = 1.0
    return result
