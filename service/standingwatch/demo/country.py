"""Build the invented country: about 40 sites in five regions, two to five transmitters each, from a seed.

The figures of the equipment are invented for the demo inside what is usual in land mobile radio (common
practice, no
source): 20 to 150 W, 10 to 60 m of feeder, antennas that are within 1.5:1 over 3 to 5 % of frequency,
couplers of 25 to 32 dB, meters good to 8 %, cavity combiners of about 1 to 2 dB.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from standingwatch.demo.equipment import (
    PROTECTIONS,
    AntennaLine,
    FleetColumns,
    Site,
    Transmitter,
    fleet_columns,
)
from standingwatch.demo.faults import Fault
from standingwatch.demo.healthy import least_reflected_share
from standingwatch.demo.places import COUNTRY_NAME, REGIONS, Region
from standingwatch.demo.weather import Weather
from standingwatch.rf.feeder import find_feeder_type, matched_loss_db

KM_PER_DEGREE = 111.2
MIN_DISTANCE_KM = 9.0
TOLERANCE_SWR = 3.0
FINEST_STEP_W = 0.01
STEPS_SHOWN = 2.0
LEAST_SHOWN_SHARE = 0.0009
JUMPER_TRIES = 16
ROOF_FEEDERS = (("RG-213", 0.66), ("1/2-in foam corrugated", 0.88))
MAST_FEEDERS = (("1/2-in foam corrugated", 0.88), ("7/8-in foam corrugated", 0.89))
BANDS_MHZ = {"vhf": (155.0, 169.0), "uhf": (412.0, 458.0)}
SERVICE_SHORT = {"repeater": "rpt", "base": "base", "control": "ctl", "beacon": "bcn"}


@dataclass(frozen=True, eq=False)
class Country:
    """An invented country and its fleet.

    Attributes:
        name: its name.
        seed: what it was built from; its weather follows from it too.
        regions: its regions.
        sites: sites in the order of their regions.
        transmitters: transmitters in the order of their sites, those that share a line next to each other.
    """

    name: str
    seed: int
    regions: tuple[Region, ...]
    sites: tuple[Site, ...]
    transmitters: tuple[Transmitter, ...]

    @cached_property
    def columns(self) -> FleetColumns:
        """The transmitters as arrays."""
        return fleet_columns(self.sites, self.transmitters)

    @cached_property
    def weather(self) -> Weather:
        """The weather of the country, hour by hour."""
        return Weather(
            region_of_site=np.array([site.region for site in self.sites], dtype=np.int64),
            elevation_m=np.array([site.elevation_m for site in self.sites]),
            mean_temperature_c=np.array([region.mean_temperature_c for region in self.regions]),
            mean_wind_mps=np.array([region.mean_wind_mps for region in self.regions]),
            seed=self.seed,
        )

    def positions_of_site(self, site: int) -> tuple[int, int]:
        """Return the first transmitter of a site and the one after its last."""
        members = [i for i, t in enumerate(self.transmitters) if t.site == site]
        return members[0], members[-1] + 1

    def positions_of_line(self, transmitter: int) -> tuple[int, int]:
        """Return the first transmitter on the same antenna line and the one after its last."""
        line = self.transmitters[transmitter].line.name
        members = [i for i, t in enumerate(self.transmitters) if t.line.name == line]
        return members[0], members[-1] + 1

    def inventory_rows(self) -> Iterator[dict[str, str | float]]:
        """Yield a row of `inventory.csv` for each transmitter; an unknown value is an empty text."""
        for t in self.transmitters:
            site, protection = self.sites[t.site], PROTECTIONS[t.protection]
            known = t.line.in_inventory
            behind_combiner = t.combiner_loss_db > 0.0
            yield {
                "site": site.name,
                "transmitter": t.name,
                "frequency_mhz": t.frequency_mhz,
                "site_name": site.title,
                "region": self.regions[site.region].name,
                "latitude": site.latitude,
                "longitude": site.longitude,
                "antenna_line": t.line.name,
                "rated_power_w": t.rated_power_w,
                "feeder_type": t.line.feeder_type if known else "",
                "feeder_length_m": t.line.feeder_length_m if known else "",
                # Only where a combiner lies between coupler and line: type and length tell the rest.
                "feeder_loss_db": round(t.feeder_loss_db + t.combiner_loss_db, 2) if behind_combiner else "",
                "feeder_power_rating_w": "",
                "coupler_directivity_db": t.directivity_db,
                "coupler_place": t.coupler_place,
                "matching_unit": "none",
                "pa_protection": protection.name,
                "min_forward_w": round(max(0.05 * t.rated_power_w, 5.0 * t.power_step_w), 2),
                "foldback_swr": protection.curve.start_swr if protection.name == "foldback" else "",
                "tolerance_swr": TOLERANCE_SWR,
                "profile": "",
                "expected_interval_s": site.report_interval_s,
            }

    def maintenance_rows(self, faults: Iterable[Fault] = ()) -> Iterator[dict[str, str]]:
        """Yield a row of `maintenance.csv` for each visit, retune or outage on record, by start.

        Args:
            faults: the plan that `plan_faults` made; visits and retunes belong to what happens, not to the
                country.
        """
        recorded = [fault for fault in faults if fault.maintenance is not None]
        for fault in sorted(recorded, key=lambda f: f.maintenance.start_s if f.maintenance else 0.0):
            work = fault.maintenance
            if work is not None:
                yield {
                    "site": fault.site,
                    "transmitter": fault.transmitter,
                    "start": work.start,
                    "end": work.end,
                    "kind": work.kind,
                }


def build_country(seed: int) -> Country:
    """Return the invented country of a seed: the same one for the same seed.

    Raises:
        ValueError: if the seed is negative.
    """
    if seed < 0:
        raise ValueError(f"country: seed is {seed}, wanted a whole number of 0 or more")
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    sites = tuple(_sites(rng))
    transmitters: list[Transmitter] = []
    for position, site in enumerate(sites):
        transmitters.extend(_transmitters_of_site(rng, position, site))
    return Country(COUNTRY_NAME, seed, REGIONS, sites, _with_fitting_meters(sites, tuple(transmitters)))


def _sites(rng: np.random.Generator) -> Iterator[Site]:
    """Yield the sites, spread over each region and not too near each other."""
    taken: list[tuple[float, float]] = []
    for number, region in enumerate(REGIONS):
        for title in region.places:
            latitude, longitude = _free_spot(rng, region, taken)
            taken.append((latitude, longitude))
            yield Site(
                name=title.lower().replace(" ", "-"),
                title=title,
                region=number,
                latitude=round(latitude, 4),
                longitude=round(longitude, 4),
                elevation_m=float(round(rng.uniform(*region.elevation_m))),
                report_interval_s=int(rng.choice([60, 120, 300], p=[0.4, 0.3, 0.3])),
                report_offset_s=int(rng.integers(0, 60)),
                has_weather_sensors=bool(rng.random() < 0.3),
                has_thermometer=bool(rng.random() < 0.6),
            )


def _free_spot(
    rng: np.random.Generator, region: Region, taken: list[tuple[float, float]]
) -> tuple[float, float]:
    """Return a spot in the region; the farthest of several tries if none keeps the distance."""
    east_km = KM_PER_DEGREE * math.cos(math.radians(region.latitude))
    best, best_km = (region.latitude, region.longitude), -1.0
    for _ in range(60):
        way_km = region.spread_km * math.sqrt(rng.random())
        angle = rng.uniform(0.0, 2.0 * math.pi)
        latitude = region.latitude + way_km * math.sin(angle) / KM_PER_DEGREE
        longitude = region.longitude + way_km * math.cos(angle) / east_km
        nearest_km = min(
            (
                math.hypot((latitude - other[0]) * KM_PER_DEGREE, (longitude - other[1]) * east_km)
                for other in taken
            ),
            default=math.inf,
        )
        if nearest_km >= MIN_DISTANCE_KM:
            return latitude, longitude
        if nearest_km > best_km:
            best, best_km = (latitude, longitude), nearest_km
    return best


def _transmitters_of_site(rng: np.random.Generator, position: int, site: Site) -> Iterator[Transmitter]:
    """Yield the transmitters of a site: at some a group on one combiner, the rest on their own antennas."""
    count = int(rng.choice([2, 3, 4, 5], p=[0.4, 0.35, 0.15, 0.1]))
    shared = int(rng.integers(2, count + 1)) if rng.random() < 0.45 else 0
    numbers = dict.fromkeys(SERVICE_SHORT, 0)

    def named(service: str) -> str:
        numbers[service] += 1
        return f"{SERVICE_SHORT[service]}-{numbers[service]}"

    line_number = 0
    if shared:
        line_number += 1
        line = _antenna_line(rng, f"{site.name}-line-{line_number}", "uhf")
        behind = bool(rng.random() < 0.4)
        for member in range(shared):
            service = "control" if member == 0 else "repeater"
            # Channels at least 250 kHz apart, as cavity combiners want them (common practice, no source).
            offset_mhz = (member - (shared - 1) / 2) * 0.45 + float(rng.uniform(-0.1, 0.1))
            yield _transmitter(
                rng, position, named(service), service, line, offset_mhz, shared=True, behind=behind
            )
    for _ in range(count - shared):
        line_number += 1
        band = "vhf" if rng.random() < 0.55 else "uhf"
        service = str(rng.choice(["repeater", "base", "beacon"], p=[0.58, 0.32, 0.10]))
        line = _antenna_line(rng, f"{site.name}-line-{line_number}", band)
        offset_mhz = line.resonance_mhz * float(rng.normal(0.0, 0.003))
        yield _transmitter(
            rng, position, named(service), service, line, offset_mhz, shared=False, behind=False
        )


def _antenna_line(rng: np.random.Generator, name: str, band: str) -> AntennaLine:
    """Return a healthy antenna line for a band."""
    on_mast = bool(rng.random() < 0.7)
    feeder_type, velocity = (MAST_FEEDERS if on_mast else ROOF_FEEDERS)[int(rng.integers(0, 2))]
    # Thin cable serves short runs only.
    longest_m = 22.0 if feeder_type.startswith("RG") else 60.0 if on_mast else 35.0
    return AntennaLine(
        name=name,
        feeder_type=feeder_type,
        feeder_length_m=float(round(rng.uniform(10.0, longest_m))),
        velocity_factor=velocity,
        resonance_mhz=round(float(rng.uniform(*BANDS_MHZ[band])), 3),
        antenna_q=float(rng.uniform(8.0, 12.0)),
        antenna_resistance=float(rng.choice([rng.uniform(0.72, 0.86), rng.uniform(1.18, 1.38)])),
        warm_detuning_per_k=float(rng.uniform(3e-5, 9e-5)),
        film_detuning=float(rng.uniform(0.001, 0.004)),
        ice_detuning_per_mm=float(rng.uniform(0.0002, 0.0006)),
        top_series=complex(rng.uniform(0.0, 0.01), rng.normal(0.0, 0.03)),
        top_shunt=complex(0.0, abs(rng.normal(0.0, 0.02))),
        in_inventory=bool(rng.random() < 0.93),
    )


def _transmitter(
    rng: np.random.Generator,
    site: int,
    name: str,
    service: str,
    line: AntennaLine,
    offset_mhz: float,
    *,
    shared: bool,
    behind: bool,
) -> Transmitter:
    """Return a healthy transmitter on a line."""
    frequency_mhz = round(round((line.resonance_mhz + offset_mhz) / 0.0125) * 0.0125, 4)
    power_w = float(
        {
            "repeater": rng.choice([30.0, 50.0, 100.0]),
            "base": rng.choice([25.0, 40.0, 50.0, 150.0]),
            "control": rng.choice([50.0, 100.0]),
            "beacon": rng.choice([20.0, 25.0]),
        }[service]
    )
    loss_db = float(matched_loss_db(find_feeder_type(line.feeder_type), line.feeder_length_m, frequency_mhz))
    directivity_db = float(rng.choice([25.0, 28.0, 30.0, 32.0]))
    leak_size = 10.0 ** (-directivity_db / 20.0) * float(rng.uniform(0.3, 0.95))
    load = {"repeater": rng.uniform(0.3, 0.85), "base": rng.uniform(0.15, 0.5)}.get(service, 1.0)
    combiner_loss_db = round(float(rng.uniform(0.9, 2.0)), 2) if shared and not behind else 0.0
    return Transmitter(
        site=site,
        name=name,
        service=service,
        line=line,
        frequency_mhz=frequency_mhz,
        rated_power_w=power_w,
        power_step_w=_power_step_w(rng, power_w),
        protection=int(rng.choice(len(PROTECTIONS), p=[0.5, 0.3, 0.2])),
        feeder_loss_db=loss_db,
        combiner_loss_db=combiner_loss_db,
        coupler_place="behind-combiner" if behind else "transmitter",
        jumper_loss_db=float(rng.uniform(0.05, 0.2)),
        jumper_length_m=float(rng.uniform(1.0, 4.0)),
        near_series=complex(rng.uniform(0.0, 0.01), rng.normal(0.0, 0.03)),
        near_shunt=complex(0.0, abs(rng.normal(0.0, 0.04))),
        forward_gain=1.0 + float(np.clip(rng.normal(0.0, 0.04), -0.08, 0.08)),
        reflected_gain=1.0 + float(np.clip(rng.normal(0.0, 0.04), -0.08, 0.08)),
        directivity_db=directivity_db,
        leak=cmath.rect(leak_size, float(rng.uniform(0.0, 2.0 * math.pi))),
        busy_load=float(load),
        holds_last=bool(service in ("repeater", "base") and rng.random() < 0.12),
    )


def _power_step_w(rng: np.random.Generator, power_w: float) -> float:
    """Return the steps a meter shows [W]: coarse ones only where the power is high, as meters are built."""
    if power_w >= 100.0:
        return float(rng.choice([0.01, 0.1, 1.0], p=[0.2, 0.4, 0.4]))
    if power_w >= 25.0:
        return float(rng.choice([0.01, 0.1]))
    return 0.01


def _with_fitting_meters(
    sites: tuple[Site, ...], transmitters: tuple[Transmitter, ...]
) -> tuple[Transmitter, ...]:
    """Return the transmitters with finer meters where a coarse one would show nothing of a healthy line.

    Where the coupler's leak happens to cancel the reflection, the jumper is changed until it does not.
    """
    fleet = fleet_columns(sites, transmitters)
    for _ in range(JUMPER_TRIES):
        nulled = least_reflected_share(fleet) < LEAST_SHOWN_SHARE
        if not nulled.any():
            break
        transmitters = tuple(
            _refitted(t) if null else t for t, null in zip(transmitters, nulled, strict=True)
        )
        fleet = fleet_columns(sites, transmitters)
    least_w = least_reflected_share(fleet) * fleet.rated_power_w
    fitted = []
    for transmitter, seen_w in zip(transmitters, least_w, strict=True):
        step_w = transmitter.power_step_w
        while step_w > FINEST_STEP_W and seen_w < STEPS_SHOWN * step_w:
            step_w = round(step_w / 10.0, 2)
        fitted.append(replace(transmitter, power_step_w=step_w))
    return tuple(fitted)


def _refitted(transmitter: Transmitter) -> Transmitter:
    """Return a transmitter with a jumper a fourteenth of a wave longer, and one adapter more."""
    return replace(
        transmitter,
        jumper_length_m=transmitter.jumper_length_m + 15.0 / transmitter.frequency_mhz,
        near_series=transmitter.near_series + 0.02,
    )
