"""Settings of what becomes of an alarm once it is found: delays, chattering, the desk, the watchman.

The published targets that are named are those of ANSI/ISA-18.2, IEC 62682 and EEMUA 191. Their figures are at
second hand or from memory, as the comments say. What has no other source is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, cast

from pydantic import Field

from standingwatch.detect.words import SERVICE_CONDITIONS, Condition
from standingwatch.settings.section import Conflict, Section, Share

#: Conditions about sites, which detectors find; those about the service itself have no delays.
SITE_CONDITIONS = tuple(condition for condition in Condition if condition not in SERVICE_CONDITIONS)

#: A wait of at most a day or a week [s].
DayOfSeconds = Annotated[float, Field(ge=0, le=86_400)]
WeekOfSeconds = Annotated[float, Field(ge=0, le=604_800)]
Alarms = Annotated[int, Field(ge=1, le=10_000)]


def _on_delay(condition: Condition, seconds: float) -> Any:
    """Return the field for the delay before an alarm is raised [s]. `Any` as pydantic's `Field`."""
    words = f"how long {condition} has to last before its alarm is raised [s]"
    return Field(seconds, description=words)


def _off_delay(condition: Condition, seconds: float) -> Any:
    """Return the field for the delay before an alarm is cleared [s]. `Any` as pydantic's `Field`."""
    words = f"how long {condition} has to stay away before its alarm is cleared [s]"
    return Field(seconds, description=words)


class _DelaySettings(Section):
    """What on-delays and off-delays have in common: a key for each condition about sites."""

    def by_condition(self) -> dict[Condition, float]:
        """Return the delay of each condition about sites [s]."""
        names = {condition: f"{condition.replace('-', '_')}_s" for condition in SITE_CONDITIONS}
        return {condition: cast(float, getattr(self, name)) for condition, name in names.items()}


class OnDelaySettings(_DelaySettings):
    """How long a condition has to last before its alarm is raised."""

    # All 0: the detectors ask for readings or days in a row themselves ([limits], [departure], ...), and a
    # second wait would only make every alarm later.
    swr_high_s: DayOfSeconds = _on_delay(Condition.SWR_HIGH, 0.0)
    swr_rising_s: DayOfSeconds = _on_delay(Condition.SWR_RISING, 0.0)
    swr_step_s: DayOfSeconds = _on_delay(Condition.SWR_STEP, 0.0)
    swr_intermittent_s: DayOfSeconds = _on_delay(Condition.SWR_INTERMITTENT, 0.0)
    swr_weather_s: DayOfSeconds = _on_delay(Condition.SWR_WEATHER, 0.0)
    feeder_loss_rising_s: DayOfSeconds = _on_delay(Condition.FEEDER_LOSS_RISING, 0.0)
    forward_power_low_s: DayOfSeconds = _on_delay(Condition.FORWARD_POWER_LOW, 0.0)
    foldback_active_s: DayOfSeconds = _on_delay(Condition.FOLDBACK_ACTIVE, 0.0)
    measurement_suspect_s: DayOfSeconds = _on_delay(Condition.MEASUREMENT_SUSPECT, 0.0)
    reports_missing_s: DayOfSeconds = _on_delay(Condition.REPORTS_MISSING, 0.0)
    site_unreachable_s: DayOfSeconds = _on_delay(Condition.SITE_UNREACHABLE, 0.0)


class OffDelaySettings(_DelaySettings):
    """How long a condition has to stay away before its alarm is cleared."""

    # Ten minutes where single readings or reports decide: two of the usual intervals of 300 s, so that one
    # good reading amid bad ones, or one report amid silence, does not end an alarm that goes on (common
    # practice, no source). 0 where days are judged: those have waited long enough.
    swr_high_s: DayOfSeconds = _off_delay(Condition.SWR_HIGH, 600.0)
    swr_rising_s: DayOfSeconds = _off_delay(Condition.SWR_RISING, 0.0)
    swr_step_s: DayOfSeconds = _off_delay(Condition.SWR_STEP, 600.0)
    swr_intermittent_s: DayOfSeconds = _off_delay(Condition.SWR_INTERMITTENT, 0.0)
    swr_weather_s: DayOfSeconds = _off_delay(Condition.SWR_WEATHER, 0.0)
    feeder_loss_rising_s: DayOfSeconds = _off_delay(Condition.FEEDER_LOSS_RISING, 0.0)
    forward_power_low_s: DayOfSeconds = _off_delay(Condition.FORWARD_POWER_LOW, 0.0)
    foldback_active_s: DayOfSeconds = _off_delay(Condition.FOLDBACK_ACTIVE, 600.0)
    measurement_suspect_s: DayOfSeconds = _off_delay(Condition.MEASUREMENT_SUSPECT, 0.0)
    reports_missing_s: DayOfSeconds = _off_delay(Condition.REPORTS_MISSING, 600.0)
    site_unreachable_s: DayOfSeconds = _off_delay(Condition.SITE_UNREACHABLE, 600.0)


class ChatterSettings(Section):
    """When an alarm comes and goes so often that it is held as one."""

    # Three is the trade's working rule, which asks for them within a minute, in plants that are read every
    # second (from memory); sites report every few minutes, hence the hour.
    raises: int = Field(
        3,
        ge=2,
        le=100,
        description="so many beginnings of an alarm within window_s mean that it comes and goes",
    )
    window_s: float = Field(
        3600.0, gt=0, le=604_800, description="how far apart the first and the last of these are, at most [s]"
    )
    # As long as the window: what comes less often than that does not count as coming and going either.
    quiet_s: float = Field(
        3600.0,
        gt=0,
        le=604_800,
        description="how long such an alarm has to stay away before it is cleared; until then it is held [s]",
    )


class DeskSettings(Section):
    """What a person is told, when and how often, on the channels whose pace is calm."""

    # The alarms of an ice storm or a power cut at a site come within a report or two of each other; a
    # grave one still leads by two minutes at most (common practice, no source).
    gather_s: DayOfSeconds = Field(
        120.0,
        description="so long after an alarm of a site was told its further ones wait, then they go together "
        "[s]",
    )
    # ISA-18.2: no ten minutes with more than ten alarms (from memory).
    # At least four: three are kept for summaries.
    most_in_10_min: int = Field(
        10, ge=4, le=10_000, description="notifications that a calm channel gets in ten minutes, at most"
    )
    # ISA-18.2: a flood begins with more than ten alarms in ten minutes, and ends ... (at second hand)
    flood_start: Alarms = Field(
        10,
        description="more alarms than this in ten minutes are a flood, in which only major and worse and a "
        "summary are told (ANSI/ISA-18.2)",
    )
    # ... with fewer than five.
    flood_end: Alarms = Field(5, description="fewer alarms than this in ten minutes end it (ANSI/ISA-18.2)")
    # Two summaries in ten minutes leave eight of the ten notifications for what is major.
    summary_every_s: float = Field(
        300.0, ge=10, le=86_400, description="time between two summaries while a flood lasts [s]"
    )
    # Two tellings an hour of one alarm, of about six an hour that an operator can take (ISA-18.2).
    retell_s: DayOfSeconds = Field(
        1800.0, description="least time between two tellings of one alarm whose severity stays the same [s]"
    )
    # Two of the usual intervals of 300 s: the last readings of the work are in by then.
    after_work_s: DayOfSeconds = Field(
        600.0, description="how long after its end a window of work still holds notifications back [s]"
    )
    # ISA-18.2: an alarm that stands for more than 24 h is stale (from memory).
    stale_hours: float = Field(
        24.0, gt=0, le=8760, description="an alarm that stands for longer counts as stale in the report [h]"
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield a flood that would end where it begins."""
        if self.flood_end >= self.flood_start:
            yield Conflict(
                ("flood_end", "flood_start"),
                str(self.flood_end),
                f"less than flood_start = {self.flood_start}",
                "a flood that ends where it begins comes and goes: lower flood_end or raise flood_start",
            )


class WatchmanSettings(Section):
    """When something is wrong with Standing Watch itself, and that it is alive."""

    # Often enough that whoever watches it can call after two or three minutes of silence.
    heartbeat_s: float = Field(30.0, ge=1, le=3600, description="time between two heartbeats [s]")
    # A usual interval of reports: later than that, an alarm comes later by a whole report.
    intake_late_s: float = Field(
        300.0,
        gt=0,
        le=86_400,
        description="how far the intake may be behind before there is an alarm, intake-late [s]",
    )
    # The longest wait between two tries to connect (broker.reconnect_max_s): a restart is no alarm.
    broker_lost_s: float = Field(
        60.0,
        gt=0,
        le=86_400,
        description="how long the broker may be away before there is an alarm, broker-lost [s]",
    )
    # A part, as is common practice (no source). On a large disk a part is far more than a small store can
    # use: room to copy it is enough there, and some days of readings of the largest fleet.
    store_free_share: Share = Field(
        0.05,
        description="part of the disk that has to be free, else there is an alarm, store-filling; but no "
        "more than the store itself holds, or store_free_bytes, whichever is larger",
    )
    store_free_bytes: int = Field(
        2_000_000_000,
        gt=0,
        description="free space that is enough on a disk of any size while the store holds no more [B]",
    )
    # Time to get a disk, or to settle for keeping less.
    store_days: float = Field(
        14.0,
        gt=0,
        le=365,
        description="a disk that is full in so many days at the present growth raises a warning [d]",
    )
    store_max_bytes: int = Field(
        0,
        ge=0,
        description="largest size that the store may have, for a database server whose disk cannot be seen "
        "from here; 0 where it can, or is not known [B]",
    )
    # Far more than the adjustments of a clock that follows a time server, far less than an interval.
    clock_jump_s: float = Field(
        5.0, gt=0, le=86_400, description="a jump of the clock by more raises an alarm, clock-jumped [s]"
    )
    # Several tries, with the waits between them growing.
    channel_late_s: float = Field(
        600.0,
        gt=0,
        le=86_400,
        description="a message that waits for so long raises an alarm about its channel, channel-failing [s]",
    )
    # Twice: one run that takes long or starts late is not a missed one.
    job_late_share: float = Field(
        2.0,
        gt=1,
        le=100,
        description="a job whose last run is longer ago than so many of its intervals counts as missed, "
        "job-missed",
    )
