"""What stands at a site of the invented country: antenna lines and transmitters, and the fleet as columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standingwatch.demo.chance import BoolArray, FloatArray, IntArray
from standingwatch.demo.line import ComplexArray
from standingwatch.rf.amplifier import AMPLIFIER_MODELS, FoldbackCurve


@dataclass(frozen=True)
class Protection:
    """How an amplifier protects itself: the site list's word for it and the curve."""

    name: str
    curve: FoldbackCurve


PROTECTIONS: tuple[Protection, ...] = (
    Protection("foldback", AMPLIFIER_MODELS["foldback"]),
    Protection("foldback", FoldbackCurve(1.7, 3.0, 0.3, "invented for the demo: a careful model")),
    Protection("none", AMPLIFIER_MODELS["none"]),
)


@dataclass(frozen=True)
class Site:
    """A site.

    Attributes:
        name: short name, used in topics.
        title: name for people.
        region: position in the country's regions.
        latitude, longitude: degrees.
        elevation_m: height above the sea [m].
        report_interval_s: time between reports [s].
        report_offset_s: second within the minute at which its reports are made.
        has_weather_sensors: reports precipitation and wind; `has_thermometer`: reports ambient temperature.
    """

    name: str
    title: str
    region: int
    latitude: float
    longitude: float
    elevation_m: float
    report_interval_s: int
    report_offset_s: int
    has_weather_sensors: bool
    has_thermometer: bool


@dataclass(frozen=True)
class AntennaLine:
    """An antenna with its feeder and connectors. Attributes as in `LineState`, the healthy values.

    `warm_detuning_per_k`, `film_detuning` and `ice_detuning_per_mm` say how heat, a full water film and ice
    lower the resonance.
    """

    name: str
    feeder_type: str
    feeder_length_m: float
    velocity_factor: float
    resonance_mhz: float
    antenna_q: float
    antenna_resistance: float
    warm_detuning_per_k: float
    film_detuning: float
    ice_detuning_per_mm: float
    top_series: complex
    top_shunt: complex
    in_inventory: bool


@dataclass(frozen=True)
class Transmitter:
    """A transmitter with its meter and the way to its antenna line.

    Attributes:
        site: position of the site.
        line: its antenna line; shared through a combiner if another transmitter has the same.
        service: `repeater`, `base`, `control` or `beacon`.
        feeder_loss_db: loss of the line at this frequency, at 20 degrees C [dB].
        combiner_loss_db: one-way loss between coupler and shared line [dB], 0 if the coupler sits behind.
        forward_gain, reflected_gain: constant error of the meter's two sides, 1 none.
        directivity_db: what the coupler's maker promises [dB]; `leak`: what it really does.
        busy_load: probability of a keyed report in the busiest hour.
        holds_last: the meter repeats the last keyed values while unkeyed.
    """

    site: int
    name: str
    service: str
    line: AntennaLine
    frequency_mhz: float
    rated_power_w: float
    power_step_w: float
    protection: int
    feeder_loss_db: float
    combiner_loss_db: float
    coupler_place: str
    jumper_loss_db: float
    jumper_length_m: float
    near_series: complex
    near_shunt: complex
    forward_gain: float
    reflected_gain: float
    directivity_db: float
    leak: complex
    busy_load: float
    holds_last: bool

    @property
    def always_keyed(self) -> bool:
        """Whether it never stops transmitting."""
        return self.service in ("control", "beacon")


@dataclass(frozen=True, eq=False)
class FleetColumns:
    """The transmitters as arrays of one length; names as in `Transmitter` and `AntennaLine`."""

    site: IntArray
    interval_s: IntArray
    offset_s: IntArray
    frequency_mhz: FloatArray
    rated_power_w: FloatArray
    power_step_w: FloatArray
    protection: IntArray
    feeder_loss_db: FloatArray
    feeder_length_m: FloatArray
    velocity_factor: FloatArray
    combiner_loss_db: FloatArray
    jumper_loss_db: FloatArray
    jumper_length_m: FloatArray
    near_series: ComplexArray
    near_shunt: ComplexArray
    top_series: ComplexArray
    top_shunt: ComplexArray
    resonance_mhz: FloatArray
    antenna_q: FloatArray
    antenna_resistance: FloatArray
    warm_detuning_per_k: FloatArray
    film_detuning: FloatArray
    ice_detuning_per_mm: FloatArray
    forward_gain: FloatArray
    reflected_gain: FloatArray
    leak: ComplexArray
    busy_load: FloatArray
    always_keyed: BoolArray
    holds_last: BoolArray
    has_weather_sensors: BoolArray
    has_thermometer: BoolArray


def fleet_columns(sites: tuple[Site, ...], transmitters: tuple[Transmitter, ...]) -> FleetColumns:
    """Return the transmitters as columns."""

    def of_transmitter(name: str) -> FloatArray:
        return np.array([getattr(t, name) for t in transmitters], dtype=np.float64)

    def of_line(name: str) -> FloatArray:
        return np.array([getattr(t.line, name) for t in transmitters], dtype=np.float64)

    def of_site(name: str) -> IntArray:
        return np.array([getattr(sites[t.site], name) for t in transmitters], dtype=np.int64)

    return FleetColumns(
        site=np.array([t.site for t in transmitters], dtype=np.int64),
        interval_s=of_site("report_interval_s"),
        offset_s=of_site("report_offset_s"),
        frequency_mhz=of_transmitter("frequency_mhz"),
        rated_power_w=of_transmitter("rated_power_w"),
        power_step_w=of_transmitter("power_step_w"),
        protection=np.array([t.protection for t in transmitters], dtype=np.int64),
        feeder_loss_db=of_transmitter("feeder_loss_db"),
        feeder_length_m=of_line("feeder_length_m"),
        velocity_factor=of_line("velocity_factor"),
        combiner_loss_db=of_transmitter("combiner_loss_db"),
        jumper_loss_db=of_transmitter("jumper_loss_db"),
        jumper_length_m=of_transmitter("jumper_length_m"),
        near_series=np.array([t.near_series for t in transmitters], dtype=np.complex128),
        near_shunt=np.array([t.near_shunt for t in transmitters], dtype=np.complex128),
        top_series=np.array([t.line.top_series for t in transmitters], dtype=np.complex128),
        top_shunt=np.array([t.line.top_shunt for t in transmitters], dtype=np.complex128),
        resonance_mhz=of_line("resonance_mhz"),
        antenna_q=of_line("antenna_q"),
        antenna_resistance=of_line("antenna_resistance"),
        warm_detuning_per_k=of_line("warm_detuning_per_k"),
        film_detuning=of_line("film_detuning"),
        ice_detuning_per_mm=of_line("ice_detuning_per_mm"),
        forward_gain=of_transmitter("forward_gain"),
        reflected_gain=of_transmitter("reflected_gain"),
        leak=np.array([t.leak for t in transmitters], dtype=np.complex128),
        busy_load=of_transmitter("busy_load"),
        always_keyed=np.array([t.always_keyed for t in transmitters], dtype=np.bool_),
        holds_last=np.array([t.holds_last for t in transmitters], dtype=np.bool_),
        has_weather_sensors=of_site("has_weather_sensors").astype(np.bool_),
        has_thermometer=of_site("has_thermometer").astype(np.bool_),
    )
