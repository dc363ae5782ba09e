"""Settings of the detectors that know a fault by its signature: bursts, weather, power, meter, silence.

Each section mirrors a frozen dataclass of `detect`, as in `detection`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from standingwatch.detect.detectors import DetectorSettings
from standingwatch.detect.history import DAYS
from standingwatch.settings.section import Conflict, Decibels, Multiple, Rho, Run, Section, Share, Swr

_DETECTORS = DetectorSettings()

#: Days that `detect/power.py` looks back on at most, and the number of wet days that `detect/wet.py` does.
_POWER_DAYS, _WET_DAYS = 40, 5

KeptDays = Annotated[int, Field(ge=1, le=DAYS)]
PowerDays = Annotated[int, Field(ge=1, le=_POWER_DAYS)]


class BurstsSettings(Section):
    """When single hours or minutes of high SWR are a finding (`swr-intermittent`)."""

    smallest_burst_rho: Rho = Field(
        _DETECTORS.bursts.smallest_burst_rho,
        description="how far above normal a reading of a burst is, at least, in the reflection coefficient",
    )
    spread_multiple: Multiple = Field(
        _DETECTORS.bursts.spread_multiple,
        description="the same in multiples of the line's own spread from hour to hour; less finds more "
        "and errs more",
    )
    days: KeptDays = Field(_DETECTORS.bursts.days, description="days that are looked back on [d]")
    days_to_raise: KeptDays = Field(
        _DETECTORS.bursts.days_to_raise,
        description="days of these with a burst of two or more readings in a row that raise an alarm [d]",
    )
    single_days_to_raise: KeptDays = Field(
        _DETECTORS.bursts.single_days_to_raise,
        description="days of these with single high readings that raise it, for reports too rare to show "
        "two in a row [d]",
    )
    single_share: Share = Field(
        _DETECTORS.bursts.single_share,
        description="share of the usable readings that single high ones have to be, to count",
    )
    days_to_clear: KeptDays = Field(
        _DETECTORS.bursts.days_to_clear,
        description="days in a row without a high reading that clear the alarm [d]",
    )
    minor_days: KeptDays = Field(
        _DETECTORS.bursts.minor_days, description="days with a burst from which the alarm is minor [d]"
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield more days than are looked back on."""
        for key in ("days_to_raise", "single_days_to_raise", "minor_days"):
            yield from self.at_most(key, "days", "no more days are looked at")


class WeatherSettings(Section):
    """When rain or ice does more to the match than it used to (`swr-weather`)."""

    smallest_excess_rho: Rho = Field(
        _DETECTORS.wet.smallest_excess_rho,
        description="growth of the rise with rain or ice, as change of the reflection coefficient at the "
        "antenna's end, below which nothing is said",
    )
    spread_multiple: Multiple = Field(
        _DETECTORS.wet.spread_multiple,
        description="the same in multiples of the line's own spread from hour to hour; less finds more "
        "and errs more",
    )
    days: int = Field(
        _DETECTORS.wet.days,
        ge=_WET_DAYS,
        le=DAYS,
        description="days in which the last five wet days are looked for [d]",
    )
    wet_days_to_raise: int = Field(
        _DETECTORS.wet.wet_days_to_raise,
        ge=1,
        le=_WET_DAYS,
        description="how many of the last five wet days have to show such a growth to raise an alarm [d]",
    )
    floor_swr: Swr = Field(
        _DETECTORS.wet.floor_swr,
        description="SWR at the antenna's end in the wet under which nothing is said (common practice, no "
        "source)",
    )
    ice_swr: Swr = Field(
        _DETECTORS.wet.ice_swr,
        description="SWR at the antenna's end from which ice is told, as a warning that goes with the thaw",
    )
    days_to_clear: KeptDays = Field(
        _DETECTORS.wet.days_to_clear,
        description="days without a wet day of that kind that clear the alarm [d]",
    )


class PowerSettings(Section):
    """When the forward power is low while the match is as it was (`forward-power-low`)."""

    smallest_fall_db: Decibels = Field(
        _DETECTORS.power.smallest_fall_db,
        description="fall below the baseline's power under which nothing is said [dB]",
    )
    spread_multiple: Multiple = Field(
        _DETECTORS.power.spread_multiple,
        description="the same in multiples of the power's own spread from day to day; less finds more "
        "and errs more",
    )
    minor_db: Decibels = Field(
        _DETECTORS.power.minor_db, description="fall from which the alarm is minor [dB]"
    )
    days_to_raise: PowerDays = Field(
        _DETECTORS.power.days_to_raise,
        description="days in a row that raise an alarm where the power fell bit by bit [d]",
    )
    days_after_a_step: PowerDays = Field(
        _DETECTORS.power.days_after_a_step,
        description="the same where it fell in one step, which somebody may have switched [d]",
    )
    days_to_clear: PowerDays = Field(
        _DETECTORS.power.days_to_clear,
        description="days in a row with the power back that clear the alarm [d]",
    )
    same_match_rho: Rho = Field(
        _DETECTORS.power.same_match_rho,
        description="change of the reflection coefficient at the transmitter below which the match is as it "
        "was; where it changed by more, the fall is a matter of the match",
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield a severity that begins before the alarm does, and days that are not looked at."""
        yield from self.at_least("minor_db", "smallest_fall_db", "below it there is no alarm")
        yield from self.at_most(
            "days_to_raise", "days_after_a_step", "only days_after_a_step days are looked at"
        )


class FoldbackSettings(Section):
    """When the protection is held to reduce the power (`foldback-active`), told by the report or seen."""

    near_share: Share = Field(
        _DETECTORS.foldback.near_share,
        description="part of the SWR at which a transmitter folds back, from which low power counts as "
        "foldback; less tells it sooner, and puts more low power down to it",
    )
    smallest_fall_db: Decibels = Field(
        _DETECTORS.foldback.smallest_fall_db,
        description="fall of the forward power below its baseline from which it counts [dB]",
    )
    smallest_rise_rho: Rho = Field(
        _DETECTORS.foldback.smallest_rise_rho,
        description="rise of the reflection coefficient above its baseline without which low power is no "
        "foldback: power is switched as well",
    )
    readings_to_raise: Run = Field(
        _DETECTORS.foldback.readings_to_raise, description="usable readings in a row that raise an alarm"
    )
    readings_to_clear: Run = Field(
        _DETECTORS.foldback.readings_to_clear,
        description="usable readings in a row without foldback that clear the alarm",
    )


class MeasurementSettings(Section):
    """When the meter and not the antenna is held to be at fault (`measurement-suspect`)."""

    least_readings: Run = Field(
        _DETECTORS.measurement.least_readings,
        description="keyed readings of two days that are needed to judge the meter at all",
    )
    above_share: Share = Field(
        _DETECTORS.measurement.above_share,
        description="share of readings with far more reflected than forward power that raises an alarm",
    )
    zero_share: Share = Field(
        _DETECTORS.measurement.zero_share,
        description="share of usable readings with nothing reflected, where something was before, that "
        "raises an alarm",
    )
    stuck_share: Share = Field(
        _DETECTORS.measurement.stuck_share,
        description="share of readings that never move, where they used to, that raises an alarm",
    )
    jump_share: Share = Field(
        _DETECTORS.measurement.jump_share,
        description="share of usable readings that jump against the one before, that raises an alarm",
    )
    jump_rho: Rho = Field(
        _DETECTORS.measurement.jump_rho,
        description="change of the reflection coefficient from one reading to the next that is a jump",
    )
    days_to_clear: KeptDays = Field(
        _DETECTORS.measurement.days_to_clear,
        description="days in a row with readings and without any of this that clear the alarm [d]",
    )


class SilenceSettings(Section):
    """When reports count as missing (`reports-missing`, `site-unreachable`)."""

    missed_intervals: float = Field(
        _DETECTORS.silence.missed_intervals,
        ge=1,
        le=10_000,
        description="expected intervals that pass without a report before an alarm is raised",
    )
    grace_s: float = Field(
        _DETECTORS.silence.grace_s,
        ge=0,
        le=86_400,
        description="added to that, for reports under way, but never more than a quarter of the interval; "
        "also how long a link may be offline [s]",
    )
