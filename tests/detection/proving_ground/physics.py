"""From a fleet with its faults to readings, and to what is true about each fault."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from proving_ground.difficulty import BY_NAME
from proving_ground.faults import SLOW, Effects, Fault, act, ice_days, plan
from proving_ground.fleet import Ground, Station, make_fleet
from proving_ground.weather import Weather, region_weather, site_weather

#: For how many times the scene's own days the true course of a slow fault is followed after it, with the same
#: weather once more each time: dates that are forecast mostly lie there. No fault grows for longer.
TIMES_BEYOND = 2

START_US = 1_767_225_600_000_000
DAY_US = 86_400_000_000


@dataclass
class Scene:
    """A fleet over some time with all that is true about it.

    Attributes:
        ground: the fleet.
        faults: planted faults, ice among them.
        columns: readings as columns: `transmitter` (position), `time_us`, `forward_w`, `reflected_w` and what
            the fleet reports besides; in order of time.
        work: maintenance windows (position, start day, end day, kind).
        outages: times without reports by the link's fault (positions, start day, end day).
        days: how long it lasts.
    """

    ground: Ground
    faults: list[Fault]
    columns: dict[str, Any]
    work: list[tuple[int, float, float, str]]
    outages: list[tuple[tuple[int, ...], float, float]]
    days: int


def make_scene(
    seed: int,
    difficulty: str,
    *,
    transmitters: int = 64,
    days: int = 120,
    faulty: float = 0.4,
    kinds: tuple[str, ...] | None = None,
) -> Scene:
    """The fleet, weather, faults (of some kinds only, if given; ice as always) and readings of a seed."""
    how = BY_NAME[difficulty]
    rng = np.random.default_rng([seed, list(BY_NAME).index(difficulty)])
    ground = make_fleet(rng, how, transmitters)
    stations = ground.stations
    regions = {r: region_weather(rng, days) for r in sorted({s.region for s in stations})}
    weather = {
        site: site_weather(rng, regions[region])
        for site, region in sorted({(s.site, s.region) for s in stations})
    }
    faults = plan(rng, how, stations, days, faulty, kinds)
    faults += _ice_faults(rng, ground, weather, faults)
    outages = _outages(rng, ground, days)
    scene = Scene(ground, faults, {}, [], outages, days)
    parts: list[dict[str, Any]] = []
    for i, station in enumerate(stations):
        own = [f for f in faults if i in f.members]
        silent = [(a, b) for members, a, b in outages if i in members]
        parts.append(_report(rng, scene, i, station, weather[station.site], own, silent))
    order = np.argsort(np.concatenate([p["time_us"] for p in parts]), kind="stable")
    scene.columns = {
        name: np.concatenate([p[name] for p in parts])[order] for name in parts[0] if name is not None
    }
    return scene


def _ice_faults(
    rng: np.random.Generator, ground: Ground, weather: dict[str, Weather], faults: list[Fault]
) -> list[Fault]:
    taken = {i for f in faults for i in f.members}
    exposed = {site: bool(rng.random() < 0.33) for site in sorted(weather)}
    result = []
    for i, s in enumerate(ground.stations):
        w = weather[s.site]
        freezes = ((w.temperature_c <= 0.5) & (w.precipitation > 0)).sum() >= 4
        if freezes and exposed[s.site] and i not in taken:
            ice = Fault(
                "ice",
                (i,),
                0.0,
                1.0,
                float(rng.uniform(0.15, 0.6)),
                float(rng.uniform(-1.5, 1.5)),
                True,
                ("line", 1.0),
                0,
                int(rng.integers(1 << 31)),
            )
            ice.days = ice_days(w)
            result.append(ice)
    return result


def _outages(
    rng: np.random.Generator, ground: Ground, days: int
) -> list[tuple[tuple[int, ...], float, float]]:
    sites: dict[str, list[int]] = {}
    for i, s in enumerate(ground.stations):
        sites.setdefault(s.site, []).append(i)
    result = []
    for members in sites.values():
        for _ in range(rng.poisson(1.2)):
            begin = float(rng.uniform(1, days))
            result.append((tuple(members), begin, begin + float(rng.uniform(0.05, 0.8))))
    return result


def _report(
    rng: np.random.Generator,
    scene: Scene,
    position: int,
    station: Station,
    weather: Weather,
    faults: list[Fault],
    silent: list[tuple[float, float]],
) -> dict[str, Any]:
    """All readings of one transmitter."""
    ground, days = scene.ground, scene.days
    rows = int(days * 86_400 // station.interval_s)
    jitter = rng.uniform(0, min(5.0, station.interval_s / 10), rows)
    time_us = START_US + ((np.arange(rows) * station.interval_s + jitter) * 1e6).astype(np.int64)
    day = (time_us - START_US) / DAY_US
    hour = np.minimum((day * 24).astype(int), len(weather.precipitation) - 1)
    effects, clean = Effects.none(rows), Effects.none(rows)
    power_db = np.zeros(rows)
    _switch_power(rng, day, power_db)
    _retune(rng, scene, position, day, (effects, clean), bool(faults))
    channel = rng.integers(0, max(len(station.channels), 1), rows)
    for fault in faults:
        if fault.kind in SLOW:
            _fit_size(fault, station)
        act(fault, station, effects, day, weather, position)
    true = _reflection(station, weather, hour, effects, channel)
    healthy = _reflection(station, weather, hour, clean, channel)
    diurnal = 0.55 + 0.45 * np.sin(2 * np.pi * (day % 1 - 0.3))
    keyed = rng.random(rows) < np.clip(station.keyed_share * (0.4 + 1.2 * diurnal), 0, 1)
    if station.keyed_share > 0.97:
        keyed[:] = True
    rho = np.abs(true)
    swr = (1 + rho) / np.maximum(1 - rho, 1e-6)
    folded_db = -np.clip(10 * np.log10(np.maximum(swr / station.foldback_swr, 1.0)) * 1.3, 0, 9.0)
    drift = _slow_wander(rng, rows, station.interval_s)
    power = station.rated_w * 10 ** ((power_db + effects.power_db + folded_db) / 10)
    power *= 1 + station.power_noise * (0.5 * drift + 0.7 * rng.normal(size=rows))
    power *= 1 - 0.0008 * (weather.temperature_c[hour] - 15)
    seen = np.abs(true + station.leak)
    reflected = power * seen**2 * (1 + station.reflected_noise * rng.normal(size=rows))
    reflected += rng.normal(0, 0.004, rows)
    single = rng.random(rows) < 0.0006
    reflected[single] = power[single] * rng.uniform(0.0, 0.6, single.sum())
    forward, reflected = _meter(rng, station, effects, power, np.maximum(reflected, 0.0))
    _tell_truth(
        fault_list=faults,
        station=station,
        position=position,
        day=day,
        keyed=keyed & effects.heard,
        true=true,
        seen=seen,
        healthy=np.abs(healthy + station.leak),
        weather=weather,
        scene=scene,
    )
    forward, reflected = _unkey(station, keyed, forward, reflected)
    heard = effects.heard & (rng.random(rows) > 0.002)
    for begin, end in silent:
        heard &= ~((day >= begin) & (day < end))
    known = {
        "transmitter": np.full(rows, position),
        "time_us": time_us,
        "forward_w": forward,
        "reflected_w": reflected,
        "keyed": np.where(keyed, 1, 0).astype(np.int8) if station.says_keyed else np.full(rows, -1, np.int8),
        "channel": np.array([f"ch{c + 1}" if station.channels else "" for c in range(9)], dtype=object)[
            channel
        ],
    }
    for name, said, values in (
        ("ambient_temperature_c", ground.reports_temperature, weather.temperature_c),
        ("precipitation", ground.reports_rain, weather.precipitation),
        ("wind_mps", ground.reports_wind, weather.wind_mps),
    ):
        known[name] = np.round(values[hour], 1) if said else np.full(rows, np.nan)
    return {name: values[heard] for name, values in known.items()}


def _reflection(station: Station, weather: Weather, hour: Any, effects: Effects, channel: Any) -> Any:
    """The reflection at the coupler, without the meter's leak."""
    wet = weather.wetness(station.drying_h)[hour]
    antenna = (
        station.antenna
        + station.temperature * (weather.temperature_c[hour] - 15.0)
        + station.wet * wet
        + effects.antenna
    )
    if station.channels:
        antenna = antenna + np.array(station.channels)[channel]
    antenna = antenna / np.maximum(np.abs(antenna) / 0.985, 1.0)
    through = antenna * 10 ** (-(station.loss_db + effects.loss_db) / 10) * station.turn
    # Of what the jumper reflects, that much less goes on: powers add up to one at most.
    jumper = station.jumper + effects.jumper
    total = jumper + through * (1 - np.minimum(np.abs(jumper), 0.95) ** 2)
    return total / np.maximum(np.abs(total) / 0.985, 1.0)


def _fit_size(fault: Fault, station: Station) -> None:
    """The size at which the first member reaches its foldback limit at the end of the span."""
    if fault.size:
        return
    limit = (station.foldback_swr - 1) / (station.foldback_swr + 1)
    base = (
        station.antenna
        if fault.at_antenna
        else station.jumper + station.antenna * 10 ** (-station.loss_db / 10)
    )
    added = np.exp(1j * (np.angle(base) + fault.phase))
    sizes = np.linspace(0.01, 0.95, 95)
    gain = 10 ** (-station.loss_db / 10)
    if fault.at_antenna:
        reached = np.abs(station.jumper + (station.antenna + sizes * added) * gain * station.turn) >= limit
    else:
        reached = np.abs(station.jumper + sizes * added + station.antenna * gain * station.turn) >= limit
    fault.size = float(sizes[np.argmax(reached)]) if reached.any() else 0.9


def _switch_power(rng: np.random.Generator, day: Any, power_db: Any) -> None:
    """Some operators switch the power: for some days, or every night."""
    kind = rng.random()
    if kind < 0.12:
        begin = float(rng.uniform(5, day[-1]))
        power_db[(day >= begin) & (day < begin + rng.uniform(0.2, 9.0))] -= float(rng.choice([3.0, 6.0]))
    elif kind < 0.17:
        hour = (day % 1) * 24
        power_db[(hour < 5) | (hour > 22)] -= 3.0


def _retune(
    rng: np.random.Generator,
    scene: Scene,
    position: int,
    day: Any,
    effects: tuple[Effects, ...],
    faulty: bool,
) -> None:
    """A retune on record with a new match; not where a fault is planted, to keep what is true simple."""
    if faulty or rng.random() > 0.08:
        return
    at = float(rng.uniform(20, day[-1] - 5))
    scene.work.append((position, at - 0.1, at + 0.05, "retune"))
    new = rng.uniform(0.03, 0.12) * np.exp(2j * np.pi * rng.uniform())
    for e in effects:
        e.antenna[day >= at] += new


def _slow_wander(rng: np.random.Generator, rows: int, interval_s: int) -> Any:
    """Noise that holds for hours, of size 1."""
    hours = max(2, int(rows * interval_s / 3600 / 6) + 2)
    knots = rng.normal(size=hours)
    return np.interp(np.arange(rows) * interval_s / 3600 / 6, np.arange(hours), knots)


def _meter(
    rng: np.random.Generator, station: Station, effects: Effects, power: Any, reflected: Any
) -> tuple[Any, Any]:
    """What the meter makes of the powers, its faults among it."""
    step = station.power_step_w
    reflected = np.where(effects.zero, 0.0, reflected)
    jumped = power * rng.uniform(0.0, 1.0, len(power)) ** 2
    reflected = np.where(effects.jumping, jumped, reflected)
    reflected = np.where(effects.above, power * 1.4, reflected)
    forward, reflected = np.round(power / step) * step, np.round(reflected / step) * step
    if effects.stuck.any():
        first = int(np.argmax(effects.stuck))
        forward = np.where(effects.stuck, forward[first], forward)
        reflected = np.where(effects.stuck, reflected[first], reflected)
    return np.round(forward, 4), np.round(reflected, 4)


def _unkey(station: Station, keyed: Any, forward: Any, reflected: Any) -> tuple[Any, Any]:
    """What stands in the reports of an unkeyed transmitter: nothing, or the last keyed values."""
    if not station.stale_when_unkeyed:
        return np.where(keyed, forward, 0.0), np.where(keyed, reflected, 0.0)
    last = np.maximum.accumulate(np.where(keyed, np.arange(len(keyed)), 0))
    return forward[last], reflected[last]


def _tell_truth(
    *,
    fault_list: list[Fault],
    station: Station,
    position: int,
    day: Any,
    keyed: Any,
    true: Any,
    seen: Any,
    healthy: Any,
    weather: Weather,
    scene: Scene,
) -> None:
    """Whether the readings show a fault at all, and when a slow one crosses the limits."""
    limit = (station.foldback_swr - 1) / (station.foldback_swr + 1)
    for fault in fault_list:
        after = keyed & (day >= fault.onset_day)
        if fault.kind in ("silence", "site-silence"):
            fault.seen = True
            continue
        if after.sum() < 30 or fault.kind == "ice":
            continue
        if fault.kind in SLOW:
            days = np.arange(int(fault.onset_day), (1 + TIMES_BEYOND) * scene.days)
            # What the meter shows without its noise, over a week: a wet day is no trend.
            within = [np.median(seen[day.astype(int) == d]) for d in days[days < scene.days]]
            by_day = np.array([*within, *_beyond(fault_list, station, position, weather, scene.days)])
            level = np.array([np.median(by_day[max(0, i - 3) : i + 4]) for i in range(len(by_day))])
            for swr in (1.5, 2.0, station.foldback_swr, station.tolerance_swr):
                over = level >= (swr - 1) / (swr + 1)
                fault.crossings[position, swr] = float(days[np.argmax(over)]) if over.any() else np.inf
            reach = days[np.argmax(level >= limit)] if (level >= limit).any() else np.inf
            if reach < scene.days:
                fault.fold_day = min(fault.fold_day, float(reach))
        fault.seen |= _shows(fault, station, day, after, seen, healthy)


def _beyond(faults: list[Fault], station: Station, position: int, weather: Weather, days: int) -> list[float]:
    """The meter's daily median, without its noise, for the days after the scene."""
    longer = Weather(
        *(
            np.tile(values, 1 + TIMES_BEYOND)
            for values in (weather.temperature_c, weather.precipitation, weather.wind_mps)
        )
    )
    hour = np.arange(days * 24, len(longer.precipitation))
    effects = Effects.none(len(hour))
    for fault in faults:
        act(fault, station, effects, hour / 24, longer, position)
    channel = np.arange(len(hour)) % max(len(station.channels), 1)
    seen = np.abs(_reflection(station, longer, hour, effects, channel) + station.leak)
    return list(np.median(seen.reshape(-1, 24), axis=1))


def _shows(fault: Fault, station: Station, day: Any, after: Any, seen: Any, healthy: Any) -> bool:
    """Whether a patient person with all readings in hand could tell.

    The change of the level in the last week (for bursts: their number) against the spread of the healthy
    level from day to day and against the meter's step, and at the antenna's end against 1.3:1.
    """
    if fault.kind in ("amplifier", "coupler"):
        return True
    if fault.kind == "intermittent":
        return int((seen[after] - healthy[after] > 0.1).sum()) >= 8
    last = after & (day >= day[-1] - 7)
    if last.sum() < 15:
        return False
    level, was = float(np.median(seen[last])), float(np.median(healthy[last]))
    days = day.astype(int)
    daily = [np.median(healthy[days == d]) for d in range(int(fault.onset_day))]
    spread = 1.4826 * float(np.median(np.abs(np.array(daily) - np.median(daily))))
    # What one step of the meter is worth in rho at this power and level.
    w = station.rated_w
    one_step = np.sqrt(max(was, 1e-3) ** 2 + station.power_step_w / w) - max(was, 1e-3)
    needed = max(0.02, 4 * spread, one_step)
    if fault.kind == "feeder-loss":
        one_down = was - np.sqrt(max(was**2 - station.power_step_w / w, 0.0))
        return was - level >= max(0.02, 4 * spread, 1.2 * one_down)
    at_antenna = level * 10 ** ((station.loss_db if station.loss_listed else 1.5) / 10)
    return level - was >= needed and at_antenna >= 0.1304
