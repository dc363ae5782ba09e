"""What makes a fleet ordinary or hard: ranges from which everything about it is drawn."""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]


@dataclass(frozen=True)
class Difficulty:
    """Ranges, each drawn from evenly unless it says otherwise.

    Attributes:
        name: "ordinary" or "hard".
        feeder_m: length of the feeders [m].
        directivity_db: directivity of the couplers [dB].
        keyed_share: share of reports that find the transmitter keyed.
        power_step_w: steps in which meters count [W], chosen from.
        antenna_rho: reflection of the antenna when new, in dry weather at 15 degrees C.
        temperature_rho_per_c: change of the antenna's reflection per degree C.
        wet_rho: change of the antenna's reflection when it is wet.
        slow_days: from the onset of a slow fault until the protection would fold back [d].
        small_step_rho: what a small step adds at the antenna.
        power_fall_db: what a failing amplifier loses [dB].
        intervals_s: report intervals, chosen from [s].
    """

    name: str
    feeder_m: Range
    directivity_db: Range
    keyed_share: Range
    power_step_w: tuple[float, ...]
    antenna_rho: Range
    temperature_rho_per_c: Range
    wet_rho: Range
    slow_days: Range
    small_step_rho: Range
    power_fall_db: Range
    intervals_s: tuple[int, ...]


ORDINARY = Difficulty(
    name="ordinary",
    feeder_m=(10.0, 60.0),
    directivity_db=(25.0, 36.0),
    keyed_share=(0.3, 1.0),
    power_step_w=(0.01, 0.1),
    antenna_rho=(0.03, 0.17),
    temperature_rho_per_c=(0.0, 0.0006),
    wet_rho=(0.0, 0.025),
    slow_days=(35.0, 80.0),
    small_step_rho=(0.12, 0.25),
    power_fall_db=(2.5, 5.0),
    intervals_s=(60, 300, 300, 300, 600, 900),
)

HARD = Difficulty(
    name="hard",
    feeder_m=(20.0, 120.0),
    directivity_db=(20.0, 32.0),
    keyed_share=(0.08, 0.6),
    power_step_w=(0.01, 0.1, 0.5),
    antenna_rho=(0.03, 0.2),
    temperature_rho_per_c=(0.0, 0.002),
    wet_rho=(0.0, 0.08),
    slow_days=(70.0, 130.0),
    small_step_rho=(0.08, 0.15),
    power_fall_db=(1.6, 2.4),
    intervals_s=(60, 300, 300, 600, 900),
)

BY_NAME = {d.name: d for d in (ORDINARY, HARD)}
