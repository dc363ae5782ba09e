"""What was traced, in words: the same on the command line and on the page."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from standingwatch.readings.columns import Reading
from standingwatch.readings.problem import one_line
from standingwatch.readings.profile.model import ABSENT
from standingwatch.readings.profile.trace import TracedField, TracedReport
from standingwatch.readings.times import shown
from standingwatch.rf.reflection import rho_from_power, swr_from_rho

HEADINGS = ("Field", "Looked for at", "Stood there", "Taken as", "Value")

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class FieldWords(NamedTuple):
    """A traced field as texts: a cell for each of `HEADINGS`, and what went wrong ("" where nothing did)."""

    name: str
    where: str
    raw: str
    how: str
    value: str
    problem: str


def field_words(row: TracedField) -> FieldWords:
    """A field in words."""
    raw = "nothing" if row.raw is ABSENT else one_line(shown(row.raw))
    if row.raw is not ABSENT and row.value is None and not row.problem:
        value = "none, as `missing` says"
    elif row.value is None:
        value = ""
    else:
        value = utc(row.value) if row.name == "time" else _value(row.value, row.unit)
    return FieldWords(row.name, one_line(row.where), raw, one_line(row.how), value, one_line(row.problem))


def place_words(report: TracedReport) -> str:
    """Whose a report is; "" where nothing names it."""
    return one_line("/".join(filter(None, (report.site, report.transmitter))))


def outcome_words(report: TracedReport) -> str:
    """What came of a report, in one line."""
    if report.refusal is not None:
        return one_line(f"refused, {report.refusal.reason}: {report.refusal.detail}")
    if report.reading is None:
        if report.waits:
            return "waits for the other values of its report"
        return "says that there is no value, and is passed over"
    return reading_words(report.reading)


def reading_words(reading: Reading) -> str:
    """The powers of a reading and what they mean, as a device's display would tell them."""
    text = f"forward {reading.forward_w:.4g} W, reflected {reading.reflected_w:.4g} W"
    rho = float(rho_from_power(reading.forward_w, reading.reflected_w))
    if math.isnan(rho):
        return f"{text}, no SWR at such powers"
    if rho > 1.0:
        return f"{text}: more comes back than goes out, look at the units"
    swr = float(swr_from_rho(rho))
    return f"{text}, SWR {'without end' if math.isinf(swr) else format(swr, '.3f')}"


def utc(time_us: int) -> str:
    """A time [Unix microseconds] as RFC 3339 in UTC, with no more decimals than it has."""
    text = (_EPOCH + timedelta(microseconds=time_us)).strftime("%Y-%m-%dT%H:%M:%S.%f")
    return text.rstrip("0").rstrip(".") + "Z"


def _value(value: Any, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g} {unit}".rstrip()
    return one_line(f"{value} {unit}".rstrip())
