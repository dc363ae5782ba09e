"""The words that detectors and alarms share: conditions, severities, likely causes.

Severity numbers are those of the enumeration `severity-with-clear` in RFC 8632 (ietf-alarms), so that they
sort by gravity. Conditions are the alarm types of this service; the list is fixed because others read them.
"""

from __future__ import annotations

from enum import IntEnum, StrEnum


class Severity(IntEnum):
    """Perceived severity, RFC 8632 `severity-with-clear` (`indeterminate`, 2, is not used here)."""

    CLEARED = 1
    WARNING = 3
    MINOR = 4
    MAJOR = 5
    CRITICAL = 6

    @property
    def word(self) -> str:
        """The severity as the RFC writes it."""
        return self.name.lower()

    @classmethod
    def from_word(cls, word: str) -> Severity:
        """The severity that the RFC writes as `word`; a `ValueError` names the words that there are."""
        for severity in cls:
            if severity.word == word:
                return severity
        raise ValueError(f"severity: got {word!r}, wanted one of {', '.join(s.word for s in cls)}")


class Condition(StrEnum):
    """What can be wrong with a resource: the alarm types."""

    SWR_HIGH = "swr-high"
    SWR_RISING = "swr-rising"
    SWR_STEP = "swr-step"
    SWR_INTERMITTENT = "swr-intermittent"
    SWR_WEATHER = "swr-weather"
    FEEDER_LOSS_RISING = "feeder-loss-rising"
    FORWARD_POWER_LOW = "forward-power-low"
    FOLDBACK_ACTIVE = "foldback-active"
    MEASUREMENT_SUSPECT = "measurement-suspect"
    REPORTS_MISSING = "reports-missing"
    SITE_UNREACHABLE = "site-unreachable"
    # About this service itself, and not about any site: the watch on the watchman.
    INTAKE_LATE = "intake-late"
    BROKER_LOST = "broker-lost"
    STORE_FILLING = "store-filling"
    JOB_MISSED = "job-missed"
    CLOCK_JUMPED = "clock-jumped"
    CHANNEL_FAILING = "channel-failing"


#: Conditions of the service's own parts; the others are about sites, their transmitters or regions.
SERVICE_CONDITIONS = frozenset(
    {
        Condition.INTAKE_LATE,
        Condition.BROKER_LOST,
        Condition.STORE_FILLING,
        Condition.JOB_MISSED,
        Condition.CLOCK_JUMPED,
        Condition.CHANNEL_FAILING,
    }
)


#: Why an alarm ends whose transmitter is told of with its group from then on.
HANDED_OVER = "goes on as part of a group that moves together"


class Cause(StrEnum):
    """What may lie behind a condition."""

    CONNECTOR = "connector"
    WATER = "water"
    ANTENNA_DAMAGE = "antenna-damage"
    LOOSE_CONNECTION = "loose-connection"
    ICE = "ice"
    FEEDER_LOSS = "feeder-loss"
    AMPLIFIER = "amplifier"
    COUPLER = "coupler"
    SHARED_ANTENNA_SYSTEM = "shared-antenna-system"
    SITE_LINK = "site-link"
    REGIONAL_WEATHER = "regional-weather"
    UNKNOWN = "unknown"
