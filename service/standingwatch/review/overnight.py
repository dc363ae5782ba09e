"""The overnight review as data: what is in it, and it as JSON text and back.

A frozen tree of plain values, so that a kept review says for ever what it said on its morning. Every number
in it is finite; times are Unix microseconds in UTC; the level of a match is kept as rho, the magnitude of the
reflection coefficient (0 to 1), which has a value where the SWR is infinite.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from pydantic import TypeAdapter

from standingwatch.rf import swr_from_rho

#: Days of the course that is kept with an item.
TREND_DAYS = 90

#: What an alarm did since the review before.
NEW, WORSE, BETTER, AS_BEFORE, CLEARED = "new", "worse", "better", "as-before", "cleared"

#: Why an alarm that stands is set aside from what calls for somebody.
SHELVED, UNDER_WORK = "shelved", "under-work"

#: Why a transmitter gives no useful data, in the order in which the first that holds is told.
SILENT, SUSPECT, NOT_KEYED, NO_BASELINE = "silent", "measurement-suspect", "not-keyed", "no-baseline"
NO_DATA_KINDS = (SILENT, SUSPECT, NOT_KEYED, NO_BASELINE)

#: Urgencies, most urgent first; the words of proposed visits.
URGENCIES = ("at-once", "within-days", "within-weeks", "with-the-next-visit")


@dataclass(frozen=True)
class Outlook:
    """When the trend reaches one limit; as `detect.interface.LimitForecast`."""

    limit: str
    swr: float
    says: str
    earliest_us: int | None = None
    expected_us: int | None = None
    latest_us: int | None = None


@dataclass(frozen=True)
class Reason:
    """A likely cause: its word, confidence 0..1, and the evidence in words."""

    cause: str
    confidence: float
    because: str


@dataclass(frozen=True)
class Trend:
    """The course of a transmitter's match at the transmitter.

    Attributes:
        start_us: begin of the first day [Unix microseconds].
        daily_rho: mean of the hourly medians of rho of each of `TREND_DAYS` days, oldest first; None for a
            day without any.
        baseline_rho, baseline_spread: level and robust standard deviation of the baseline; None without.
        baseline_kind: "provisional" or "full"; "" without.
        now_rho: the newest daily level of the last three days; None for none.
        week_rho, month_rho: the level 7 and 30 days before that day, the day itself or the nearest one
            within 2 and 5 days; None for none.
    """

    start_us: int
    daily_rho: tuple[float | None, ...]
    baseline_rho: float | None = None
    baseline_spread: float | None = None
    baseline_kind: str = ""
    now_rho: float | None = None
    week_rho: float | None = None
    month_rho: float | None = None


@dataclass(frozen=True)
class Item:
    """One alarm of the review.

    Attributes:
        rank: place by urgency among those that stand and are not set aside, from 1; 0 for the others.
        change: what it did since the review before (`NEW` and so on).
        aside: `SHELVED`, `UNDER_WORK`, or "" where it calls for somebody.
        subject: what it is about, as the CloudEvents `subject`.
        site, transmitter, region, service, condition: its key; region also of its site.
        site_name: what people call the site.
        severity: of a cleared one the last that it had.
        before: severity at the review before; "" where it did not stand.
        raised_us, changed_us: when it was raised, and last changed.
        raisings: how often it was raised since the review before.
        causes: likely causes, most likely first.
        forecast: when the trend reaches the limits.
        days_left: time until foldback or tolerance as it counts [d]: the forecast's, or what stands in for it
            by severity, whichever is less; 0 where protection acts, or a limit is reached.
        is_forecast: whether `days_left` comes from the forecast.
        forecast_days: time until foldback or tolerance by the forecast [d]; None where it has no date.
        lost_db: signal that the fault costs, above what was lost when the line was new [dB]; 60 stands for
            all of it; None where it is not known.
        shares_trip: how many other alarms the same trip could see to.
        urgency: one of `URGENCIES`.
        first_step: what to do first.
        text: the alarm in words.
        members: "SITE/TRANSMITTER" of each in the group.
        operator_state: RFC 8632.
        assigned_to: "" for nobody.
        until_us: until when it is set aside; None where it is not.
        why_aside: the shelf's reason, or the kind of work.
        visit: number of the visit that is to see to its site; None for none.
        visit_state: its state; "" for none.
        trend: of the transmitter; None where it is not about one.
    """

    rank: int
    change: str
    aside: str
    subject: str
    site: str
    transmitter: str
    region: str
    service: str
    condition: str
    site_name: str
    severity: str
    before: str
    raised_us: int
    changed_us: int
    raisings: int
    causes: tuple[Reason, ...]
    forecast: tuple[Outlook, ...]
    days_left: float
    is_forecast: bool
    lost_db: float | None
    shares_trip: int
    urgency: str
    first_step: str
    text: str
    members: tuple[str, ...] = ()
    operator_state: str = "none"
    assigned_to: str = ""
    until_us: int | None = None
    why_aside: str = ""
    visit: int | None = None
    visit_state: str = ""
    trend: Trend | None = None
    forecast_days: float | None = None

    @property
    def is_standing(self) -> bool:
        """Whether the alarm stands."""
        return self.change != CLEARED

    @property
    def where(self) -> str:
        """What it is about, in words."""
        if self.service:
            return f"Standing Watch itself, {self.service}"
        if self.transmitter:
            return f"{self.site}/{self.transmitter}"
        return f"site {self.site}" if self.site else f"region {self.region}"


@dataclass(frozen=True)
class Stop:
    """A site on a trip, and its distance from the trip's first site [km]; 0 for that itself."""

    site: str
    site_name: str
    distance_km: float


@dataclass(frozen=True)
class Trip:
    """Alarms that one trip could see to: those of a site, and of its neighbours.

    Attributes:
        stops: the sites, the most urgent first, then its neighbours by distance.
        ranks: ranks of the alarms, in order.
        urgency: of the most urgent one.
    """

    stops: tuple[Stop, ...]
    ranks: tuple[int, ...]
    urgency: str


@dataclass(frozen=True)
class NoData:
    """A transmitter without useful data: why (`NO_DATA_KINDS`), and since when; None where not known."""

    site: str
    site_name: str
    transmitter: str
    region: str
    kind: str
    since_us: int | None


@dataclass(frozen=True)
class Figure:
    """A figure of the alarm system's own report, against its published target; "" where there is none."""

    name: str
    what: str
    value: float | None
    unit: str
    verdict: str
    target: str = ""
    note: str = ""


@dataclass(frozen=True)
class VisitOver:
    """A visit that somebody has given their word on since the review before.

    Attributes:
        number, site, site_name: which, and where.
        state: "proven" or "not-fixed".
        decided_us: when that was said [Unix microseconds].
        found: the true causes that it found.
    """

    number: int
    site: str
    site_name: str
    state: str
    decided_us: int
    found: tuple[str, ...] = ()


@dataclass(frozen=True)
class Review:
    """The overnight review.

    Attributes:
        region: what it is about; "" for the whole fleet.
        day: the local day on which it was made, as 2026-11-25.
        timezone: whose day that is (IANA).
        made_us: when it was made; it shows the alarm list of that moment.
        since_us: when the review before was made, or a day earlier where there is none.
        data_until_us: readings up to then are rolled up.
        sites, transmitters: how many are watched.
        summary: all of it in a sentence or two.
        items: every alarm that stands, and those that ended since: by rank, then those set aside, then
            those that ended.
        trips: what one trip each could see to, most urgent first.
        no_data: transmitters without useful data, as many as `MOST_NO_DATA`.
        no_data_counts: how many there are of each kind.
        performance_days: of how many days the alarm system's own report is [d].
        performance: its figures, always of the whole service.
        last_change: number of the last alarm change that it knows of; the next review goes on from there.
        visits_over: visits decided since the review before, newest first.
        causes_right, causes_told: of so many true causes that visits have found so far, in so many the likely
            cause was right; always of the whole service.
    """

    region: str
    day: str
    timezone: str
    made_us: int
    since_us: int
    data_until_us: int
    sites: int
    transmitters: int
    summary: str
    items: tuple[Item, ...]
    trips: tuple[Trip, ...]
    no_data: tuple[NoData, ...]
    no_data_counts: dict[str, int]
    performance_days: float
    performance: tuple[Figure, ...]
    last_change: int = 0
    # A review kept before there were these has none.
    visits_over: tuple[VisitOver, ...] = ()
    causes_right: int = 0
    causes_told: int = 0

    @property
    def standing(self) -> tuple[Item, ...]:
        """The alarms that stand, set aside or not."""
        return tuple(item for item in self.items if item.is_standing)

    def section(self, change: str) -> tuple[Item, ...]:
        """The alarms that did this since the review before, those set aside left out; in order of rank."""
        return tuple(item for item in self.items if item.change == change and not item.aside)

    def set_aside(self, aside: str) -> tuple[Item, ...]:
        """The alarms that are set aside for this reason."""
        return tuple(item for item in self.items if item.aside == aside)

    @cached_property
    def by_rank(self) -> dict[int, Item]:
        """Each alarm that calls for somebody, by its rank."""
        return {item.rank: item for item in self.items if item.rank}

    def to_json(self) -> str:
        """It as JSON text."""
        return _ADAPTER.dump_json(self).decode()

    def as_data(self) -> dict[str, Any]:
        """It as JSON data."""
        data: dict[str, Any] = _ADAPTER.dump_python(self, mode="json")
        return data

    @classmethod
    def from_json(cls, text: str) -> Review:
        """The review of a JSON text that `to_json` made.

        Raises:
            ValueError: if it is none.
        """
        return _ADAPTER.validate_json(text)


_ADAPTER = TypeAdapter(Review)


def swr_of(rho: float | None) -> float:
    """SWR of a kept level; NaN for none, infinite for total reflection."""
    return math.nan if rho is None else float(swr_from_rho(rho))
