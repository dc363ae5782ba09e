"""The invented fleet's reports: every reading from the physics of its line, meter and amplifier.

A reading depends on the country, the faults, the seed, the transmitter and its time, and on nothing else.
So a span may be cut anywhere, asked for in any order, and asked for again: the reports are the same. All
work is done on arrays over all reports of a span; the only loops are over faults and kinds of amplifier.

Meter noise of 1 % a reading, the temperature of the amplifier and the small changes of its power are
invented for the demo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standingwatch.demo.chance import BoolArray, FloatArray, IntArray, normal_pair
from standingwatch.demo.country import Country
from standingwatch.demo.effects import Moment, apply_fault, check_kinds, rows_of
from standingwatch.demo.equipment import PROTECTIONS
from standingwatch.demo.faults import (
    COUPLER_STUCK,
    COUPLER_ZERO,
    LINK_OUTAGE,
    TRANSMITTER_SILENT,
    Fault,
)
from standingwatch.demo.healthy import healthy_state
from standingwatch.demo.line import ComplexArray, coupler_powers, reflection_at_coupler
from standingwatch.demo.traffic import is_keyed, keyed_chance, last_keyed_time
from standingwatch.demo.weather import WeatherHours
from standingwatch.rf.reflection import swr_from_rho

METER_NOISE = 0.01
IDLE_NOISE_STEPS = 0.4
"""Noise of an unkeyed meter, in steps of its display."""

ROWS_AT_ONCE = 150_000
"""Reports worked on together: more only costs memory."""

_METER, _IDLE, _HEAT = 51, 52, 53


@dataclass(frozen=True)
class Signals:
    """What is true at the couplers, before any meter error, one element per reading.

    Attributes:
        rho: complex reflection coefficient at the coupler.
        forward_w: power of the forward wave [W].
        shown_forward_w, shown_reflected_w: the same and the reflected wave as the coupler's ports show them
            [W].
        feeder_loss_db: one-way loss of the feeder [dB].
        frequency_mhz: carrier frequency [MHz].
    """

    rho: ComplexArray
    forward_w: FloatArray
    shown_forward_w: FloatArray
    shown_reflected_w: FloatArray
    feeder_loss_db: FloatArray
    frequency_mhz: FloatArray


class Simulator:
    """Reports of a country's fleet for any span of time.

    Args:
        country: the country.
        faults: what goes wrong, from `plan_faults` or made by hand; none for a healthy fleet.
        seed: any whole number; moves traffic and noise, not the weather.

    Raises:
        ValueError: if a fault's kind is not known.
    """

    def __init__(self, country: Country, faults: Sequence[Fault], seed: int) -> None:
        self.country = country
        self.faults = sorted(faults, key=lambda fault: (fault.onset_s, fault.first))
        check_kinds(self.faults)
        self._seed = seed
        self._columns = country.columns
        self._site_position = {site.name: i for i, site in enumerate(country.sites)}
        names = [(country.sites[t.site].name, t.name) for t in country.transmitters]
        self._site_names = pd.array([site for site, _ in names], dtype="str")
        self._transmitter_names = pd.array([name for _, name in names], dtype="str")

    def frame(self, start_s: float, end_s: float, interval_s: int | None = None) -> pd.DataFrame:
        """Return the reports made in [start_s, end_s), by time, then in the order of the fleet.

        Args:
            start_s, end_s: Unix seconds.
            interval_s: time between reports [s] for all sites, whole and above 0; each site's own if not
                given.

        Returns:
            Columns site, transmitter, time_us (Unix microseconds), forward_w, reflected_w, keyed,
            frequency_mhz, pa_temperature_c, ambient_temperature_c, precipitation [mm/h], wind_mps,
            sequence. NaN where a site has no such sensor. `sequence` counts the reports at that interval,
            so it tells gaps only between frames of one interval. Sites whose link is down and silent
            transmitters have no rows.

        Raises:
            ValueError: if the span ends before it starts or the interval is not above 0.
        """
        if end_s < start_s:
            raise ValueError(
                f"frame: end_s {end_s} lies before start_s {start_s}; give the earlier time first"
            )
        if interval_s is not None and interval_s <= 0:
            raise ValueError(f"frame: interval_s is {interval_s}, wanted whole seconds above 0")
        shortest_s = int(self._columns.interval_s.min()) if interval_s is None else interval_s
        step_s = max(1.0, ROWS_AT_ONCE / len(self.country.transmitters)) * shortest_s
        parts = []
        for number in range(max(1, math.ceil((end_s - start_s) / step_s))):
            part_start_s = start_s + number * step_s
            parts.append(self._columns_of_span(part_start_s, min(end_s, part_start_s + step_s), interval_s))
        joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
        position = joined.pop("position")
        return pd.DataFrame(
            {
                "site": self._site_names.take(position),
                "transmitter": self._transmitter_names.take(position),
                **joined,
            },
            copy=False,
        )

    def sites_online(self, time_s: float) -> BoolArray:
        """Return whether the link of each site is up at a time, in the order of the country's sites."""
        online = np.ones(len(self.country.sites), dtype=np.bool_)
        for fault in self.faults:
            if fault.kind == LINK_OUTAGE and fault.onset_s <= time_s < fault.end_s:
                online[self._site_position[fault.site]] = False
        return online

    def link_online(self, site: str, time_s: float) -> bool:
        """Return whether the link of a site is up at a time.

        Raises:
            KeyError: if there is no such site.
        """
        if site not in self._site_position:
            raise KeyError(f"site {site!r} is not one of the {len(self._site_position)} sites of the country")
        return bool(self.sites_online(time_s)[self._site_position[site]])

    def signals(self, position: IntArray, time_s: IntArray) -> Signals:
        """Return what is true at the couplers.

        Args:
            position: transmitters by their number in the fleet, in rising order, shape (n,).
            time_s: Unix seconds, shape (n,).
        """
        weather = self.country.weather.at(self._columns.site[position], time_s.astype(np.float64))
        return self._signals(position, time_s, weather)

    def _signals(self, position: IntArray, time_s: IntArray, weather: WeatherHours) -> Signals:
        fleet = self._columns
        state = healthy_state(fleet, position, weather)
        moment = Moment(time_s, weather, np.ones(len(position)))
        for fault in self.faults:
            first, stop = np.searchsorted(position, [fault.first, fault.stop])
            rows = slice(int(first), int(stop))
            part, part_moment = rows_of(state, moment, rows)
            apply_fault(fault, part, part_moment, self._seed)
        rho = reflection_at_coupler(state)
        # A warm amplifier gives a little less.
        warm = 1.0 - 0.001 * (weather.temperature_c - 10.0)
        forward_w = fleet.rated_power_w[position] * 0.97 * warm * moment.output_share
        forward_w *= _power_fraction(fleet.protection[position], np.abs(rho))
        forward_share, reflected_share = coupler_powers(rho, fleet.leak[position])
        return Signals(
            rho=rho,
            forward_w=forward_w,
            shown_forward_w=forward_w * forward_share,
            shown_reflected_w=forward_w * reflected_share,
            feeder_loss_db=state.feeder_loss_db,
            frequency_mhz=state.frequency_mhz,
        )

    def _columns_of_span(
        self, start_s: float, end_s: float, interval_s: int | None
    ) -> dict[str, npt.NDArray[np.generic]]:
        """Return the columns of a frame, with `position` for the names."""
        fleet, seed = self._columns, self._seed
        position, time_s, sequence = self._report_times(start_s, end_s, interval_s)
        keyed = is_keyed(seed, position, fleet.busy_load[position], fleet.always_keyed[position], time_s)
        read_s, reads = self._read_times(position, time_s, keyed)
        site = fleet.site[position]
        weather = self.country.weather.at(site, time_s.astype(np.float64))
        held = read_s != time_s
        then = self.country.weather.at(site, read_s.astype(np.float64)) if held.any() else weather
        signals = self._signals(position, read_s, then)
        forward_w, reflected_w = self._meter(position, time_s, read_s, reads, signals)
        heat = keyed_chance(fleet.busy_load[position], fleet.always_keyed[position], time_s)
        jitter, _ = normal_pair(seed, _HEAT, position, time_s)
        rise_c = 26.0 * heat * signals.forward_w / fleet.rated_power_w[position]
        sensors, thermometer = fleet.has_weather_sensors[position], fleet.has_thermometer[position]
        order = np.lexsort((position, time_s))
        columns: dict[str, npt.NDArray[np.generic]] = {
            "position": position,
            "time_us": time_s * 1_000_000,
            "forward_w": forward_w,
            "reflected_w": reflected_w,
            "keyed": keyed,
            "frequency_mhz": np.round(signals.frequency_mhz, 4),
            "pa_temperature_c": np.round(24.0 + 0.35 * weather.temperature_c + rise_c + 0.6 * jitter, 1),
            "ambient_temperature_c": np.where(thermometer, np.round(weather.temperature_c, 1), np.nan),
            "precipitation": np.where(sensors, np.round(weather.rain_mm_per_hour, 1), np.nan),
            "wind_mps": np.where(sensors, np.round(weather.wind_mps, 1), np.nan),
            "sequence": sequence,
        }
        return {name: values[order] for name, values in columns.items()}

    def _report_times(
        self, start_s: float, end_s: float, interval_s: int | None
    ) -> tuple[IntArray, IntArray, IntArray]:
        """Return position, time [s] and sequence of the reports in a span, transmitter by transmitter."""
        fleet = self._columns
        interval = fleet.interval_s if interval_s is None else np.full(len(fleet.site), interval_s)
        offset = fleet.offset_s % interval
        first = np.ceil((start_s - offset) / interval).astype(np.int64)
        count = np.ceil((end_s - offset) / interval).astype(np.int64) - first
        position = np.repeat(np.arange(len(count)), count)
        before = np.cumsum(count) - count
        sequence = first[position] + np.arange(len(position)) - before[position]
        time_s = sequence * interval[position] + offset[position]
        keep = np.ones(len(position), dtype=np.bool_)
        for fault in self.faults:
            if fault.kind in (LINK_OUTAGE, TRANSMITTER_SILENT):
                begin, end = np.searchsorted(position, [fault.first, fault.stop])
                span_s = time_s[begin:end]
                keep[begin:end] &= (span_s < fault.onset_s) | (span_s >= fault.end_s)
        return position[keep], time_s[keep], sequence[keep]

    def _read_times(
        self, position: IntArray, time_s: IntArray, keyed: BoolArray
    ) -> tuple[IntArray, BoolArray]:
        """Return when the shown values were taken, and whether they are of a keyed transmitter.

        Most meters show the present. Some hold the last keyed values; those are followed back at the site's
        own interval, whatever interval the frame has.
        """
        fleet = self._columns
        read_s, reads = time_s.copy(), keyed.copy()
        rows = np.flatnonzero(fleet.holds_last[position] & ~keyed)
        held = position[rows]
        last = last_keyed_time(self._seed, held, fleet.busy_load[held], time_s[rows], fleet.interval_s[held])
        found = last >= 0
        read_s[rows[found]] = last[found]
        reads[rows[found]] = True
        return read_s, reads

    def _meter(
        self, position: IntArray, time_s: IntArray, read_s: IntArray, reads: BoolArray, signals: Signals
    ) -> tuple[FloatArray, FloatArray]:
        """Return forward and reflected power as the meters show them [W]."""
        fleet, seed = self._columns, self._seed
        step_w = fleet.power_step_w[position]
        noise = normal_pair(seed, _METER, position, read_s)
        idle = normal_pair(seed, _IDLE, position, time_s)
        gain = fleet.forward_gain[position], fleet.reflected_gain[position]
        true_w = signals.shown_forward_w, signals.shown_reflected_w
        shown = []
        for side in range(2):
            keyed_w = true_w[side] * gain[side] * np.maximum(1.0 + METER_NOISE * noise[side], 0.0)
            idle_w = np.abs(idle[side]) * IDLE_NOISE_STEPS * step_w
            shown.append(np.where(reads, keyed_w, idle_w))
        forward_w, reflected_w = shown
        for fault in self.faults:
            if fault.kind in (COUPLER_STUCK, COUPLER_ZERO):
                begin, end = np.searchsorted(position, [fault.first, fault.stop])
                at_s = read_s[begin:end]
                broken = (at_s >= fault.onset_s) & (at_s < fault.end_s)
                held_w = fault.size * fleet.rated_power_w[fault.first] if fault.kind == COUPLER_STUCK else 0.0
                reflected_w[begin:end][broken] = held_w
        return _in_steps(forward_w, step_w), _in_steps(reflected_w, step_w)


def _power_fraction(protection: IntArray, rho: FloatArray) -> FloatArray:
    """Return what each amplifier's protection leaves of the power at the reflection it sees."""
    swr = swr_from_rho(rho)
    fraction = np.ones(len(rho))
    for number, model in enumerate(PROTECTIONS):
        rows = np.flatnonzero(protection == number)
        fraction[rows] = model.curve.power_fraction(swr[rows])
    return fraction


def _in_steps(power_w: FloatArray, step_w: FloatArray) -> FloatArray:
    """Return powers in whole steps of the display; the second rounding removes binary dust."""
    return np.round(np.round(power_w / step_w) * step_w, 2)
