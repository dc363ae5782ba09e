"""Invented fleets: sites, transmitters, feeders, meters, and the inventory that a user would write."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from proving_ground.difficulty import Difficulty, Range

FEEDERS_DB_PER_100M = {"thin": 9.0, "half": 4.2, "seven-eighths": 2.3}
"""Loss of invented feeders at 150 MHz; it grows with the square root of the frequency."""


@dataclass
class Station:
    """One transmitter with all that its readings depend on."""

    site: str
    name: str
    region: str
    line: str
    frequency_mhz: float
    rated_w: float
    interval_s: int
    loss_db: float
    directivity_db: float
    foldback_swr: float
    tolerance_swr: float
    power_step_w: float
    keyed_share: float
    says_keyed: bool
    stale_when_unkeyed: bool
    antenna: complex
    temperature: complex
    wet: complex
    drying_h: float
    jumper: complex
    leak: complex
    turn: complex
    loss_listed: bool
    power_noise: float
    reflected_noise: float
    channels: tuple[complex, ...] = ()


@dataclass(frozen=True)
class Ground:
    """What the whole fleet has in common."""

    reports_temperature: bool
    reports_rain: bool
    reports_wind: bool
    stations: list[Station] = field(default_factory=list)


def _between(rng: np.random.Generator, limits: Range) -> float:
    return float(rng.uniform(*limits))


def _turned(rng: np.random.Generator, size: float) -> complex:
    return complex(size * np.exp(2j * np.pi * rng.uniform()))


def make_fleet(rng: np.random.Generator, how: Difficulty, transmitters: int) -> Ground:
    """A fleet of about that many transmitters in three regions."""
    ground = Ground(
        reports_temperature=bool(rng.random() < 0.75),
        reports_rain=bool(rng.random() < 0.6),
        reports_wind=bool(rng.random() < 0.4),
    )
    says_keyed, site_number = bool(rng.random() < 0.5), 0
    while len(ground.stations) < transmitters:
        site_number += 1
        site = f"hill-{site_number:02d}"
        region = ("coast", "moor", "vale")[site_number % 3]
        band = float(rng.choice([80.0, 155.0, 165.0, 420.0, 455.0]))
        interval = int(rng.choice(how.intervals_s))
        count = int(rng.integers(1, 7))
        # The first transmitters of a larger site share one antenna system, the rest have their own.
        sharing = int(rng.integers(2, count + 1)) if count >= 3 and rng.random() < 0.6 else 0
        shared_antenna = _turned(rng, _between(rng, how.antenna_rho))
        shared_length = _between(rng, how.feeder_m)
        kind = str(rng.choice(list(FEEDERS_DB_PER_100M), p=[0.15, 0.5, 0.35]))
        for i in range(count):
            shares = i < sharing
            length = shared_length if shares else _between(rng, how.feeder_m)
            frequency = band + i * 0.6
            loss = FEEDERS_DB_PER_100M[kind] * np.sqrt(frequency / 150.0) * length / 100.0
            foldback = float(rng.choice([1.8, 2.0, 2.5, 3.0]))
            directivity = _between(rng, how.directivity_db)
            rated = float(rng.choice([25.0, 50.0, 100.0, 125.0]))
            antenna = shared_antenna * np.exp(1j * rng.normal(0, 0.3)) if shares else None
            ground.stations.append(
                Station(
                    site=site,
                    name=f"tx-{i + 1}",
                    region=region,
                    line=f"{site}-mast" if shares else f"{site}-{i + 1}",
                    frequency_mhz=round(frequency, 4),
                    rated_w=rated,
                    interval_s=interval,
                    loss_db=float(min(loss, 9.0)),
                    directivity_db=round(directivity, 1),
                    foldback_swr=foldback,
                    tolerance_swr=max(3.0, foldback),
                    power_step_w=float(rng.choice(how.power_step_w)),
                    keyed_share=_between(rng, how.keyed_share),
                    says_keyed=says_keyed,
                    stale_when_unkeyed=says_keyed and bool(rng.random() < 0.3),
                    antenna=antenna if antenna is not None else _turned(rng, _between(rng, how.antenna_rho)),
                    temperature=_turned(rng, _between(rng, how.temperature_rho_per_c)),
                    wet=_turned(rng, _between(rng, how.wet_rho)),
                    drying_h=_between(rng, (2.0, 12.0)),
                    jumper=_turned(rng, _between(rng, (0.0, 0.03))),
                    leak=_turned(rng, 10 ** (-directivity / 20) * _between(rng, (0.3, 1.0))),
                    turn=_turned(rng, 1.0),
                    loss_listed=bool(rng.random() < 0.85),
                    power_noise=_between(rng, (0.004, 0.02)),
                    reflected_noise=_between(rng, (0.01, 0.05)),
                    channels=_channels(rng),
                )
            )
    return ground


def _channels(rng: np.random.Generator) -> tuple[complex, ...]:
    """What the antenna adds on each of a transmitter's channels; most have one."""
    if rng.random() > 0.12:
        return ()
    return tuple(_turned(rng, rng.uniform(0.0, 0.06)) for _ in range(int(rng.integers(2, 4))))


def inventory_text(ground: Ground) -> str:
    """The fleet as inventory.csv."""
    lines = [
        "site,transmitter,region,antenna_line,frequency_mhz,rated_power_w,feeder_loss_db,"
        "coupler_directivity_db,foldback_swr,tolerance_swr,expected_interval_s"
    ]
    for s in ground.stations:
        loss = f"{s.loss_db:.2f}" if s.loss_listed else ""
        lines.append(
            f"{s.site},{s.name},{s.region},{s.line},{s.frequency_mhz},{s.rated_w},{loss},"
            f"{s.directivity_db},{s.foldback_swr},{s.tolerance_swr},{s.interval_s}"
        )
    return "\n".join(lines) + "\n"
