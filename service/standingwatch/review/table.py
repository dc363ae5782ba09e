"""The review as a table for a spreadsheet: CSV (RFC 4180), a row an alarm."""

from __future__ import annotations

import csv
from collections.abc import Callable

from standingwatch.alarms.event import rfc3339
from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import GRAVE_LIMITS
from standingwatch.detect.words import Condition
from standingwatch.review.overnight import Item, Review, swr_of

#: A cell that begins so would be taken for a formula by a spreadsheet.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def _grave(item: Item) -> str:
    """When foldback or tolerance is expected first, as RFC 3339; "" where nothing has a date."""
    dated = [f.expected_us for f in item.forecast if f.limit in GRAVE_LIMITS and f.expected_us is not None]
    return rfc3339(min(dated)) if dated else ""


def _swr(rho: float | None) -> str:
    return "" if rho is None else f"{swr_of(rho):.3f}"


#: Heading and content of each column.
_COLUMNS: dict[str, Callable[[Item], str]] = {
    "rank": lambda item: str(item.rank) if item.rank else "",
    "change": lambda item: item.change,
    "set_aside": lambda item: item.aside,
    "urgency": lambda item: item.urgency,
    "region": lambda item: item.region,
    "site": lambda item: item.site,
    "site_name": lambda item: item.site_name,
    "transmitter": lambda item: item.transmitter,
    "service": lambda item: item.service,
    "condition": lambda item: item.condition,
    "what": lambda item: WHAT[Condition(item.condition)],
    "severity": lambda item: item.severity,
    "severity_before": lambda item: item.before,
    "raised": lambda item: rfc3339(item.raised_us),
    "changed": lambda item: rfc3339(item.changed_us),
    "likely_cause": lambda item: item.causes[0].cause if item.causes else "",
    "confidence": lambda item: f"{item.causes[0].confidence:.2f}" if item.causes else "",
    "days_left": lambda item: f"{item.days_left:.1f}" if item.is_standing else "",
    "days_left_from": lambda item: (
        ("forecast" if item.is_forecast else "severity") if item.is_standing else ""
    ),
    "foldback_or_tolerance_expected": _grave,
    "lost_db": lambda item: "" if item.lost_db is None else f"{item.lost_db:.2f}",
    "swr_now": lambda item: _swr(item.trend.now_rho) if item.trend else "",
    "swr_week_ago": lambda item: _swr(item.trend.week_rho) if item.trend else "",
    "swr_month_ago": lambda item: _swr(item.trend.month_rho) if item.trend else "",
    "swr_baseline": lambda item: _swr(item.trend.baseline_rho) if item.trend else "",
    "operator_state": lambda item: item.operator_state,
    "assigned_to": lambda item: item.assigned_to,
    "visit": lambda item: "" if item.visit is None else str(item.visit),
    "visit_state": lambda item: item.visit_state,
    "first_step": lambda item: item.first_step,
    "text": lambda item: item.text,
}

HEADINGS = tuple(_COLUMNS)


class _Lines(list[str]):
    """What the writer of the standard library writes to, without a file."""

    def write(self, text: str) -> None:
        """Take a line."""
        self.append(text)


def as_csv(review: Review) -> str:
    """The alarms of a review, in its order. Times are RFC 3339 in UTC; `inf` is an infinite SWR."""
    lines = _Lines()
    writer = csv.writer(lines)
    writer.writerow(HEADINGS)
    for item in review.items:
        writer.writerow([_safe(content(item)) for content in _COLUMNS.values()])
    return "".join(lines)


def _safe(cell: str) -> str:
    """A cell that no spreadsheet runs: an apostrophe before a formula (OWASP; from memory)."""
    return f"'{cell}" if cell.startswith(_FORMULA) else cell
