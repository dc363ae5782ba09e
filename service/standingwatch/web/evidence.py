"""The values behind an alarm as figures with their units."""

from __future__ import annotations

from collections.abc import Mapping

from standingwatch.detect.interface import Value
from standingwatch.web import words

#: Ends of names, and the unit that each stands for.
_UNITS = {
    "_dbm": "dBm",
    "_db": "dB",
    "_w": "W",
    "_mhz": "MHz",
    "_mps": "m/s",
    "_c": "°C",
    "_s": "s",
    "_h": "h",
    "_m": "m",
}

#: Words of names that are written otherwise.
_WRITTEN = {"swr": "SWR", "pa": "PA", "utc": "UTC", "rho": "", "db": ""}

#: Names that no rule makes readable.
_LABELS = {
    "change_rho": "Away from the baseline",
    "limit_change_rho": "Counts as away from",
    "spread_rho": "Spread of the baseline",
    "lost_db": "Lost to the antenna",
    "lost_db_baseline": "Lost at the baseline",
    "meter_step_w": "Meter shows steps of",
    "temperature_told": "Temperature is told",
    "feeder_loss_known": "Feeder loss is listed",
    "swr_least": "SWR at least",
    "swr_at_antenna_least": "SWR at antenna at least",
    "swr_at_antenna_most": "SWR at antenna at most",
    "limit_swr": "Limit of the SWR",
    "days_away": "Days away from the baseline",
    "came_at_once": "Came at once",
}


def figures(values: Mapping[str, Value]) -> list[tuple[str, str]]:
    """Each value that is known with its name in words and its unit, in the order of the evidence."""
    return [(_label(name), figure(name, value)) for name, value in values.items() if value not in (None, "")]


def figure(name: str, value: Value) -> str:
    """One value with the unit that its name carries."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name.endswith("_us") and isinstance(value, int):
        # Times are after 1973, lengths of time are not that long.
        return words.utc(value) if value > 10**14 else words.span(value)
    if not isinstance(value, int | float):
        return str(value)
    parts = name.split("_")
    if "swr" in parts:
        return words.swr(float(value))
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
    if "rho" in parts:
        # A reflection coefficient has no unit; the name says what the number is of.
        return f"{value:.3f} in rho"
    if not unit and "db" in parts:
        unit = "dB"
    if unit == "dB":
        # No meter of these tells hundredths.
        return words.decibels(float(value))
    if name.endswith("_share") and 0.0 <= value <= 1.0:
        return f"{value:.1%}".replace("%", " %")
    if value == float("inf"):
        text = "∞"
    elif isinstance(value, float) and unit != "MHz" and abs(value) < 1e4:
        # No meter tells more than four digits; a channel's frequency has up to seven.
        text = f"{value:.4g}"
    else:
        text = f"{value:.7g}"
    return f"{text} {unit}".rstrip()


def _label(name: str) -> str:
    """A name in words, without its unit."""
    if name in _LABELS:
        return _LABELS[name]
    for end in ("_us", *_UNITS):
        if name.endswith(end):
            name = name.removesuffix(end)
            break
    text = " ".join(filter(None, (_WRITTEN.get(part, part) for part in name.split("_"))))
    return text[:1].upper() + text[1:]
