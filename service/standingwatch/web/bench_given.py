"""What the form and the API of the bench take, read into what the worksheet works with."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated

from fastapi import Query
from pydantic import BaseModel, ConfigDict

from standingwatch.readings.units import MAX_POWER_DBM, watts_from_dbm
from standingwatch.rf import FoldbackCurve
from standingwatch.web.bench import PROTECTIONS, BenchGiven

Text = Annotated[str, Query(max_length=60)]

#: Each number of the form: lowest and highest value [in its unit], and whether the lowest is left out.
_RANGES = {
    "forward": ("the forward power", -100.0, 1e7, False),
    "reflected": ("the reflected power", -200.0, 1e7, False),
    "loss_db": ("the feeder’s loss [dB]", 0.0, 100.0, False),
    "length_m": ("the feeder’s length [m]", 0.0, 10_000.0, False),
    "frequency_mhz": ("the frequency [MHz]", 0.1, 100_000.0, False),
    "directivity_db": ("the coupler’s directivity [dB]", 0.0, 80.0, True),
    "forward_step_w": ("the forward meter’s step [W]", 0.0, 1e6, False),
    "reflected_step_w": ("the reflected meter’s step [W]", 0.0, 1e6, False),
    "impedance_ohm": ("the impedance [ohm]", 0.0, 1e4, True),
    "start_swr": ("the SWR at which the protection begins", 1.0, 1000.0, False),
    "full_swr": ("the SWR at which it has acted in full", 1.0, 1000.0, False),
    "floor_percent": ("the power that it leaves [%]", 0.0, 100.0, False),
}


class BenchForm(BaseModel):
    """The form as it was sent; empty where nothing was entered. Powers are in the unit named beside them."""

    model_config = ConfigDict(extra="ignore")

    forward: Text = ""
    forward_unit: Text = "W"
    reflected: Text = ""
    reflected_unit: Text = "W"
    feeder_type: Text = ""
    length_m: Text = ""
    frequency_mhz: Text = ""
    loss_db: Text = ""
    directivity_db: Text = ""
    forward_step_w: Text = ""
    reflected_step_w: Text = ""
    impedance_ohm: Text = ""
    protection: Text = ""
    start_swr: Text = ""
    full_swr: Text = ""
    floor_percent: Text = ""

    @property
    def is_empty(self) -> bool:
        """Whether neither power was entered."""
        return not self.forward.strip() and not self.reflected.strip()


class BadBenchError(Exception):
    """The form cannot be worked with; `problems` says all that is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


def given_of(form: BenchForm) -> BenchGiven:
    """What a form says.

    Raises:
        BadBenchError: with every problem.
    """
    problems: list[str] = []
    numbers = {name: _number(name, getattr(form, name), problems) for name in _RANGES}
    powers = {}
    for name, unit in (("forward", form.forward_unit), ("reflected", form.reflected_unit)):
        what, value = _RANGES[name][0], numbers[name]
        if not getattr(form, name).strip():
            problems.append(f"Give {what}.")
        powers[name] = _watts(what, value, unit, problems)
    if powers["forward"] == 0.0:
        problems.append("The forward power is 0 W: without it there is no reflection to speak of.")
    curve = _curve(form.protection, numbers, problems)
    if problems:
        raise BadBenchError(problems)
    usual = BenchGiven(powers["forward"], powers["reflected"])

    def number_or(name: str, otherwise: float) -> float:
        return otherwise if math.isnan(numbers[name]) else numbers[name]

    return replace(
        usual,
        loss_db=numbers["loss_db"],
        feeder_type=form.feeder_type.strip(),
        length_m=numbers["length_m"],
        frequency_mhz=numbers["frequency_mhz"],
        directivity_db=numbers["directivity_db"],
        forward_step_w=number_or("forward_step_w", usual.forward_step_w),
        reflected_step_w=number_or("reflected_step_w", usual.reflected_step_w),
        impedance_ohm=number_or("impedance_ohm", usual.impedance_ohm),
        curve=curve,
    )


def _number(name: str, text: str, problems: list[str]) -> float:
    """A number of the form; NaN where nothing was entered, or where it is a problem."""
    what, low, high, above = _RANGES[name]
    text = text.strip()
    if not text:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if low <= value <= high and not (above and value == low):
        return value
    least = f"above {low:g}" if above else f"from {low:g}"
    problems.append(f"Got “{text}” for {what}, wanted a number {least} to {high:g}.")
    return math.nan


def _watts(what: str, value: float, unit: str, problems: list[str]) -> float:
    """A power in watts."""
    if unit == "W":
        if value < 0.0:
            problems.append(f"Got {value:g} W for {what}, wanted 0 or more; below 0 only in dBm.")
        return value
    if unit != "dBm":
        problems.append(f"Got the unit “{unit}” for {what}, wanted W or dBm.")
        return math.nan
    if value >= MAX_POWER_DBM:
        problems.append(f"Got {value:g} dBm for {what}, wanted less than {MAX_POWER_DBM:g} dBm.")
        return math.nan
    return math.nan if math.isnan(value) else watts_from_dbm(value)


def _curve(name: str, numbers: dict[str, float], problems: list[str]) -> FoldbackCurve | None:
    """The protection of the what-if: a generic one, with figures that were entered instead of its own."""
    if not name:
        return None
    if name not in PROTECTIONS:
        problems.append(f"Got the protection “{name}”, wanted one of {', '.join(PROTECTIONS)}, or none.")
        return None
    curve = PROTECTIONS[name]
    start, full, floor = (numbers[key] for key in ("start_swr", "full_swr", "floor_percent"))
    start_swr = curve.start_swr if math.isnan(start) else start
    full_swr = max(curve.full_swr, start_swr) if math.isnan(full) else full
    try:
        return FoldbackCurve(
            start_swr,
            full_swr,
            curve.floor_fraction if math.isnan(floor) else floor / 100.0,
            curve.source if all(map(math.isnan, (start, full, floor))) else "entered at the bench",
        )
    except ValueError as error:
        problems.append(f"The protection does not fit together: {error}.")
        return None
