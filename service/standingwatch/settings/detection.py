"""Settings of the limits, the baseline and what is held against it: when there is an alarm, and how grave.

Each section mirrors a frozen dataclass of `detect`, key by key, and takes its defaults from there, so that a
default stands in one place.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from standingwatch.detect.departure import LOOK_BACK
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.history import DAYS
from standingwatch.settings.section import Conflict, Decibels, Multiple, Rho, Run, Section, Share, Swr

_BASELINE = DetectionSettings().baseline
_DETECTORS = DetectionSettings().detectors

#: Days that a departure can be looked for in, and days ahead that a forecast reaches.
RecentDays = Annotated[int, Field(ge=1, le=LOOK_BACK)]
AheadDays = Annotated[float, Field(ge=0, le=365)]


class LimitsSettings(Section):
    """Limits of the SWR at the transmitter, the same for the whole fleet (`swr-high`)."""

    warning_swr: Swr = Field(
        _DETECTORS.limits.warning_swr, description="SWR from which an alarm of severity warning is raised"
    )
    minor_swr: Swr = Field(_DETECTORS.limits.minor_swr, description="SWR from which it is minor")
    major_swr: Swr = Field(_DETECTORS.limits.major_swr, description="SWR from which it is major")
    critical_swr: Swr = Field(
        _DETECTORS.limits.critical_swr,
        description="SWR from which it is critical; where a transmitter folds back or is at its tolerance "
        "before that, it is critical there",
    )
    clear_margin: float = Field(
        _DETECTORS.limits.clear_margin,
        ge=0,
        le=10,
        description="how far below a limit the SWR has to fall before that limit is cleared, in SWR; more "
        "keeps an alarm from coming and going",
    )
    readings_to_raise: Run = Field(
        _DETECTORS.limits.readings_to_raise,
        description="usable readings in a row over a limit that raise an alarm",
    )
    readings_to_clear: Run = Field(
        _DETECTORS.limits.readings_to_clear,
        description="usable readings in a row under it that clear the alarm",
    )
    lower_hours: float = Field(
        _DETECTORS.limits.lower_hours,
        ge=0,
        le=8760,
        description="how long the limits of warning and minor have to be passed without a break, at a "
        "transmitter with a baseline, before they raise an alarm; 0 for at once [h]",
    )
    above_normal_rho: float = Field(
        _DETECTORS.limits.above_normal_rho,
        ge=0,
        le=1,
        description="how far the reflection coefficient has to be above this transmitter's own normal, at "
        "least, for the limits of warning and minor to count; spares lines that always stood there",
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield limits out of order, and a margin that leaves no way to clear."""
        names = ("warning_swr", "minor_swr", "major_swr", "critical_swr")
        for lower, upper in pairwise(names):
            low, high = getattr(self, lower), getattr(self, upper)
            if high <= low:
                yield Conflict(
                    (upper, lower),
                    f"{high:g}",
                    f"more than {lower} = {low:g}",
                    f"raise {upper} or lower {lower}",
                )
        if self.warning_swr - self.clear_margin <= 1.0:
            yield Conflict(
                ("clear_margin", "warning_swr"),
                f"{self.clear_margin:g}",
                f"less than {self.warning_swr - 1.0:g} (warning_swr less 1)",
                "no SWR lies below 1, so a warning could never clear: lower clear_margin",
            )


class BaselineSettings(Section):
    """How a transmitter's own normal is learned, which all slow changes are held against."""

    provisional_hours: int = Field(
        _BASELINE.provisional_hours,
        ge=1,
        le=24,
        description="usable hours of one day until a provisional baseline, from which twice the departure "
        "is asked [h]",
    )
    full_days: int = Field(
        _BASELINE.full_days,
        ge=4,
        le=DAYS // 2,
        description="days with a level until the full baseline is taken and frozen; fewer is sooner on "
        "guard, and sooner mistaken about what is normal [d]",
    )
    hours_per_day: int = Field(
        _BASELINE.hours_per_day,
        ge=1,
        le=24,
        description="usable hours that a day needs to have a level; a day with fewer raises and clears "
        "nothing slow [h]",
    )
    smallest_spread_rho: Rho = Field(
        _BASELINE.smallest_spread_rho,
        description="no line's own spread is taken to be smaller, in the reflection coefficient; more "
        "makes very quiet lines less touchy",
    )
    most_drift_rho: float = Field(
        _BASELINE.most_drift_rho,
        ge=0,
        le=1,
        description="days that drift by more than this, and by more than their noise, are not learned "
        "from, in the reflection coefficient; more lets a slow fault into the baseline",
    )


class DepartureSettings(Section):
    """When the daily level has left its baseline (`swr-rising`, small steps, `feeder-loss-rising`)."""

    spread_multiple: Multiple = Field(
        _DETECTORS.departure.spread_multiple,
        description="departure of most of days_many days that raises an alarm, in multiples of the "
        "line's own spread; less finds more and errs more",
    )
    spread_multiple_few: Multiple = Field(
        _DETECTORS.departure.spread_multiple_few,
        description="the same for the quick way, days_to_raise days in a row",
    )
    smallest_change_rho: Rho = Field(
        _DETECTORS.departure.smallest_change_rho,
        description="change of the reflection coefficient at the antenna's end below which nothing is said",
    )
    floor_swr: Swr = Field(
        _DETECTORS.departure.floor_swr,
        description="SWR at the antenna's end under which a rise is not worth an alarm (common practice, "
        "no source)",
    )
    days_to_raise: RecentDays = Field(
        _DETECTORS.departure.days_to_raise,
        description="days in a row with the larger departure that raise an alarm [d]",
    )
    days_many: RecentDays = Field(
        _DETECTORS.departure.days_many,
        description="days of which three quarters with the smaller departure raise an alarm [d]",
    )
    days_to_clear: RecentDays = Field(
        _DETECTORS.departure.days_to_clear,
        description="days in a row back at the baseline that clear the alarm [d]",
    )
    abrupt_share: Share = Field(
        _DETECTORS.departure.abrupt_share,
        description="share of a departure that came between two days from which it is told as a step and "
        "not as a rise",
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield days that are not looked at, and a quick way that asks for less."""
        yield from self.at_most("days_to_raise", "days_many", "only days_many days are looked at")
        yield from self.at_most("days_to_clear", "days_many", "only days_many days are looked at")
        yield from self.at_least(
            "spread_multiple_few", "spread_multiple", "fewer days have to show a larger departure"
        )


class SeveritySettings(Section):
    """How grave a rise or step is (`swr-rising`, `swr-step`)."""

    major_days: AheadDays = Field(
        _DETECTORS.severity.major_days,
        description="a rise that is expected to reach foldback, tolerance or 3:1 within so many days is "
        "major; a crew needs about a week to plan for a site (common practice, no source) [d]",
    )
    minor_days: AheadDays = Field(
        _DETECTORS.severity.minor_days,
        description="the same for minor: parts and a climber take some weeks (common practice, no "
        "source); what is further away is a warning and belongs to the next planned visit [d]",
    )
    minor_swr: Swr = Field(
        _DETECTORS.severity.minor_swr,
        description="SWR at the antenna's end from which a rise or step is minor, however much time is left",
    )
    major_swr: Swr = Field(
        _DETECTORS.severity.major_swr, description="SWR at the antenna's end from which a step is major"
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield steps of the table that are out of order."""
        yield from self.at_least("minor_days", "major_days", "what is minor has more time left")
        yield from self.at_least("major_swr", "minor_swr", "major is the graver one")


class StepSettings(Section):
    """What a large step is, told within a few readings (`swr-step`)."""

    swr_at_antenna: Swr = Field(
        _DETECTORS.step.swr_at_antenna,
        description="SWR at the antenna's end that a step has to lead to, to be told at once; for a smaller "
        "one the days under departure are awaited",
    )
    smallest_step_rho: Rho = Field(
        _DETECTORS.step.smallest_step_rho,
        description="change of the reflection coefficient at the antenna's end below which no step is large",
    )
    spread_multiple: Multiple = Field(
        _DETECTORS.step.spread_multiple,
        description="the same in multiples of the line's own spread from hour to hour; less finds more "
        "and errs more",
    )
    readings_to_raise: Run = Field(
        _DETECTORS.step.readings_to_raise, description="usable readings in a row that raise an alarm"
    )
    readings_to_clear: Run = Field(
        _DETECTORS.step.readings_to_clear,
        description="usable readings in a row back at normal that clear the alarm",
    )


class FeederSettings(Section):
    """When a match that improves by itself is a finding (`feeder-loss-rising`)."""

    spread_multiple: Multiple = Field(
        _DETECTORS.feeder.spread_multiple,
        description="fall of most of days_many days that raises an alarm, in multiples of the line's own "
        "spread; less finds more and errs more",
    )
    smallest_change_rho: Rho = Field(
        _DETECTORS.feeder.smallest_change_rho,
        description="fall of the reflection coefficient at the transmitter below which nothing is said",
    )
    smallest_change_db: Decibels = Field(
        _DETECTORS.feeder.smallest_change_db,
        description="rise of the return loss below which nothing is said [dB]",
    )
    minor_db: Decibels = Field(
        _DETECTORS.feeder.minor_db,
        description="rise of the return loss from which the alarm is minor; half of it is added loss [dB]",
    )
    days_many: RecentDays = Field(
        _DETECTORS.feeder.days_many,
        description="days of which three quarters have to show it; what clears it is days_to_clear under "
        "departure [d]",
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield a severity that begins before the alarm does."""
        yield from self.at_least("minor_db", "smallest_change_db", "below it there is no alarm")
