"""Planted faults: what each does to the line, the amplifier, the meter or the reports, over time.

A fault is a function of time that changes an `Effects`, the arrays from which the physics makes readings.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from proving_ground.difficulty import Difficulty
from proving_ground.fleet import Station
from proving_ground.weather import Weather

SLOW = ("connector", "water", "shared-slow")
KINDS = (
    "connector",
    "water",
    "feeder-loss",
    "storm",
    "small-step",
    "intermittent",
    "amplifier",
    "coupler",
    "shared-slow",
    "shared-step",
    "silence",
    "site-silence",
)
"""Kinds that need a visit; ice is planted apart from them and needs none."""

CAUSE = {
    "connector": "connector",
    "water": "water",
    "feeder-loss": "feeder-loss",
    "storm": "antenna-damage",
    "small-step": "antenna-damage",
    "intermittent": "loose-connection",
    "amplifier": "amplifier",
    "coupler": "coupler",
    "shared-slow": "shared-antenna-system",
    "shared-step": "shared-antenna-system",
    "ice": "ice",
}


@dataclass
class Fault:
    """A planted fault and what is true about it.

    Attributes:
        kind: one of `KINDS`, or "ice".
        members: positions of the transmitters that it acts on.
        onset_day: when it begins [d from the start].
        span_days: for slow ones, from the onset to where the protection folds back.
        size: reflection at full size, or dB.
        phase: angle of the reflection that is added [rad].
        at_antenna: whether it sits at the antenna's end of the feeder.
        shape: parameter of the slow course.
        variety: which of a kind's forms.
        fold_day: day on which the daily level reaches the foldback limit, infinite if not within the scene.
        seen: whether the readings show it at all.
        crossings: for slow ones, by member and limit (SWR): the day on which the level reaches it, also after
            the scene; infinite if never.
        days: for ice, the days on which there is any.
    """

    kind: str
    members: tuple[int, ...]
    onset_day: float
    span_days: float
    size: float
    phase: float
    at_antenna: bool
    shape: tuple[str, float]
    variety: int
    seed: int
    fold_day: float = np.inf
    seen: bool = False
    crossings: dict[tuple[int, float], float] = field(default_factory=dict)
    days: frozenset[int] = frozenset()

    def acts(self, day: float) -> bool:
        """Whether something may be told of it at a time: of ice, up to two days after it has gone."""
        if self.kind == "ice":
            return any(int(day) - back in self.days for back in range(3))
        return self.onset_day <= day


@dataclass
class Effects:
    """What acts on one transmitter at each of its report times.

    Attributes:
        antenna: reflection added at the antenna.
        jumper: reflection added at the transmitter's end.
        loss_db: loss added to the feeder, one way.
        power_db: change of the forward power.
        heard: whether the report comes through.
        zero, stuck, above, jumping: what the meter does with the reflected power.
    """

    antenna: Any
    jumper: Any
    loss_db: Any
    power_db: Any
    heard: Any
    zero: Any
    stuck: Any
    above: Any
    jumping: Any

    @classmethod
    def none(cls, rows: int) -> Effects:
        """Nothing at all."""
        no = np.zeros(rows, dtype=bool)
        return cls(
            np.zeros(rows, dtype=complex),
            np.zeros(rows, dtype=complex),
            np.zeros(rows),
            np.zeros(rows),
            ~no,
            no.copy(),
            no.copy(),
            no.copy(),
            no.copy(),
        )


def plan(
    rng: np.random.Generator,
    how: Difficulty,
    stations: list[Station],
    days: int,
    share: float,
    only: tuple[str, ...] | None = None,
) -> list[Fault]:
    """Faults for a share of the transmitters, each kind (of `only`, if given) about as often as any other."""
    free = set(range(len(stations)))
    lines: dict[str, list[int]] = {}
    sites: dict[str, list[int]] = {}
    for i, s in enumerate(stations):
        lines.setdefault(s.line, []).append(i)
        sites.setdefault(s.site, []).append(i)
    faults: list[Fault] = []
    wanted = round(share * len(stations))
    kinds = list(KINDS if only is None else only)
    rng.shuffle(kinds)
    turn = 0
    while sum(len(f.members) for f in faults) < wanted and turn < 400:
        kind = kinds[turn % len(kinds)]
        turn += 1
        members = _members(rng, kind, free, lines, sites, stations)
        if members:
            faults.append(_draw(rng, how, kind, members, days))
            free -= set(members)
    return faults


def _members(
    rng: np.random.Generator,
    kind: str,
    free: set[int],
    lines: dict[str, list[int]],
    sites: dict[str, list[int]],
    stations: list[Station],
) -> tuple[int, ...]:
    if kind.startswith("shared"):
        groups = [m for m in lines.values() if len(m) > 1 and free.issuperset(m)]
    elif kind == "site-silence":
        groups = [m for m in sites.values() if 1 < len(m) <= 3 and free.issuperset(m)]
    else:
        # A fault of a shared antenna would be one of all that share it.
        shared = {i for m in lines.values() if len(m) > 1 for i in m}
        alone_only = kind in ("storm", "small-step", "water", "feeder-loss")
        groups = [[i] for i in sorted(free) if not (alone_only and i in shared)]
    return tuple(groups[int(rng.integers(len(groups)))]) if groups else ()


def _draw(rng: np.random.Generator, how: Difficulty, kind: str, members: tuple[int, ...], days: int) -> Fault:
    latest = 0.45 if kind in (*SLOW, "feeder-loss", "intermittent") else 0.75
    size = {
        "feeder-loss": rng.uniform(2.0, 6.0),
        "storm": rng.uniform(0.6, 0.98),
        "small-step": rng.uniform(*how.small_step_rho),
        "shared-step": rng.uniform(0.3, 0.9),
        "intermittent": rng.uniform(0.25, 0.8),
        "amplifier": rng.uniform(*how.power_fall_db),
    }.get(kind, 0.0)
    shape = [("line", 1.0), ("exp", rng.uniform(0.5, 3.0)), ("power", rng.uniform(1.0, 1.8))]
    return Fault(
        kind=kind,
        members=members,
        onset_day=float(rng.uniform(min(22.0, 0.3 * days), latest * days)),
        span_days=float(rng.uniform(*how.slow_days)),
        size=float(size),
        phase=float(rng.uniform(-2.1, 2.1)),
        at_antenna=bool(kind not in ("connector", "intermittent") or rng.random() < 0.5),
        shape=shape[int(rng.integers(3))],
        variety=int(rng.integers(0, 4)),
        seed=int(rng.integers(1 << 31)),
    )


def progress(fault: Fault, day: Any) -> Any:
    """How far a slow fault has come: 0 at the onset, 1 after its span, on as before up to 1.2."""
    u = np.clip((day - fault.onset_day) / fault.span_days, 0.0, 1.2)
    kind, k = fault.shape
    if kind == "exp":
        return np.expm1(k * u) / np.expm1(k)
    return u**k


def act(
    fault: Fault,
    station: Station,
    effects: Effects,
    day: Any,
    weather: Weather,
    member: int,
) -> None:
    """Add one fault's doing to a transmitter's effects."""
    rng = np.random.default_rng([fault.seed, member if fault.kind in ("coupler",) else 0])
    hour = np.minimum((day * 24).astype(int), len(weather.precipitation) - 1)
    on = day >= fault.onset_day
    base = (
        station.antenna
        if fault.at_antenna
        else station.jumper + station.antenna * 10 ** (-station.loss_db / 10)
    )
    added = np.exp(1j * (np.angle(base) + fault.phase))
    kind = fault.kind
    if kind in SLOW:
        level = progress(fault, day) * fault.size
        if kind == "water" or (kind == "shared-slow" and fault.variety % 2):
            level = level * (0.55 + 0.45 * _soaked(weather)[hour])
        else:
            heat = 1.0 + 0.008 * (weather.temperature_c - weather.temperature_c.mean())[hour]
            shake = _slow_noise(rng, len(weather.precipitation))[hour]
            level = level * np.clip(heat, 0.5, 1.5) * (1 + 0.15 * shake * (progress(fault, day) > 0.5))
        _add(effects, fault, np.maximum(level, 0.0) * added)
    elif kind in ("storm", "small-step", "shared-step"):
        _add(effects, fault, on * fault.size * added)
    elif kind == "feeder-loss":
        effects.loss_db += np.minimum(progress(fault, day), 1.0) * fault.size
    elif kind == "intermittent":
        _add(effects, fault, _bursts(rng, fault, weather, day) * fault.size * added)
    elif kind == "amplifier":
        if fault.variety == 0:
            effects.power_db -= on * fault.size
        else:
            effects.power_db -= np.clip((day - fault.onset_day) / (0.5 * fault.span_days), 0, 1) * fault.size
    elif kind == "coupler":
        (effects.zero, effects.stuck, effects.above, effects.jumping)[fault.variety][:] |= on
    elif kind in ("silence", "site-silence"):
        effects.heard &= ~on
    elif kind == "ice":
        _add(effects, fault, _ice(weather)[hour] * on * fault.size * added)
    else:
        raise ValueError(f"fault kind: got {kind!r}, wanted one of {(*KINDS, 'ice')}")


def _add(effects: Effects, fault: Fault, reflection: Any) -> None:
    if fault.at_antenna:
        effects.antenna += reflection
    else:
        effects.jumper += reflection


def _soaked(weather: Weather) -> Any:
    """How much water stands in it by the hour: filled by rain, emptied over days, 0 to 1."""
    level, keep, result = 0.0, np.exp(-1 / (24 * 5.0)), np.zeros(len(weather.precipitation))
    for hour, rain in enumerate(weather.precipitation):
        level = min(1.0, level * keep + 0.05 * float(rain))
        result[hour] = level
    return result


def _slow_noise(rng: np.random.Generator, hours: int) -> Any:
    noise, result = 0.0, np.zeros(hours)
    for hour in range(hours):
        noise = 0.97 * noise + rng.normal(0, 0.24)
        result[hour] = noise
    return result


def _bursts(rng: np.random.Generator, fault: Fault, weather: Weather, day: Any) -> Any:
    """Bursts of minutes to hours that come more often as it goes on, and in wind."""
    last = float(day[-1]) if len(day) else 0.0
    active = np.zeros(len(day), dtype=bool)
    at = fault.onset_day
    windy = weather.wind_mps > np.quantile(weather.wind_mps, 0.7)
    while at < last:
        grown = min(1.0, (at - fault.onset_day) / 40.0)
        rate = 0.4 + 4.0 * grown
        hour = min(int(at * 24), len(windy) - 1)
        at += rng.exponential(1.0 / (rate * (2.0 if windy[hour] else 0.7)))
        length = float(np.clip(rng.lognormal(np.log(40.0), 0.9), 4.0, 400.0)) / 1440.0
        active |= (day >= at) & (day < at + length)
        at += length
    return active


def ice_days(weather: Weather) -> frozenset[int]:
    """Days on which a site has ice."""
    return frozenset((np.flatnonzero(_ice(weather) > 0.05) // 24).tolist())


def _ice(weather: Weather) -> Any:
    """Ice by the hour, 0 to 1: grows at or below freezing with precipitation, gone when it thaws."""
    level, result = 0.0, np.zeros(len(weather.precipitation))
    for hour in range(len(result)):
        cold = weather.temperature_c[hour] <= 0.5
        if cold and weather.precipitation[hour] > 0:
            level = min(1.0, level + 0.25)
        elif not cold:
            level = max(0.0, level - 0.2)
        else:
            # Sun and wind take it in some days.
            level *= np.exp(-1 / 60)
        result[hour] = level
    return result
