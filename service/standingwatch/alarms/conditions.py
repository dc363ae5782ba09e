"""What each condition and each likely cause means, in words: for the reference, and for who asks what it is.

When a condition is told in every detail is in its detector's own module; limits are settings.
"""

from __future__ import annotations

from dataclasses import dataclass

from standingwatch.detect.words import Cause, Condition, Severity

_WARNING, _MINOR, _MAJOR, _CRITICAL = (
    Severity.WARNING,
    Severity.MINOR,
    Severity.MAJOR,
    Severity.CRITICAL,
)


@dataclass(frozen=True)
class About:
    """What a condition is.

    Attributes:
        when: when it is raised.
        severities: how grave it may be, the mildest first.
        by: what decides between these; "" where there is one only.
        section: section of the settings with its limits; "" for none.
    """

    when: str
    severities: tuple[Severity, ...]
    by: str
    section: str


ABOUT: dict[Condition, About] = {
    Condition.SWR_HIGH: About(
        "Three usable readings in a row over a limit of the SWR at the transmitter, whatever the meter's "
        "rounding hides. The limits of warning and minor count once the SWR is well above the transmitter's "
        "own normal and has been for a day.",
        (_WARNING, _MINOR, _MAJOR, _CRITICAL),
        "the limit: 1.5, 1.7, 2.0, and 3.0 or the SWR at which the transmitter folds back, whichever is less",
        "limits",
    ),
    Condition.SWR_STEP: About(
        "A step away from the baseline that stays: a large one within three readings, also where the "
        "feeder's loss keeps every limit out of reach; a small one within days.",
        (_WARNING, _MINOR, _MAJOR),
        "the SWR at the antenna's end that it led to",
        "step",
    ),
    Condition.SWR_RISING: About(
        "The daily level leaves its own baseline slowly and stays away.",
        (_WARNING, _MINOR, _MAJOR),
        "the time left until foldback, tolerance or 3:1, and the SWR at the antenna's end",
        "departure",
    ),
    Condition.SWR_INTERMITTENT: About(
        "Bursts of minutes to hours on several dry days, and a normal match between them.",
        (_WARNING, _MINOR),
        "the number of days with bursts",
        "bursts",
    ),
    Condition.SWR_WEATHER: About(
        "Rain does more to the match than it used to; or ice does, which goes with the thaw.",
        (_WARNING, _MINOR),
        "what it is: rain is minor, ice a warning",
        "weather",
    ),
    Condition.FEEDER_LOSS_RISING: About(
        "The match seems to improve by itself: water in a feeder raises its loss, and hides the antenna.",
        (_WARNING, _MINOR),
        "how far the return loss has risen; a warning where one count of the meter shows it",
        "feeder",
    ),
    Condition.FORWARD_POWER_LOW: About(
        "The forward power falls while the match is as it was.",
        (_WARNING, _MINOR),
        "how far it has fallen",
        "power",
    ),
    Condition.FOLDBACK_ACTIVE: About(
        "The power is low while the match is bad, or the report says that the protection is at work.",
        (_MAJOR,),
        "",
        "foldback",
    ),
    Condition.MEASUREMENT_SUSPECT: About(
        "Readings that cannot be: stuck, exactly nothing reflected, more reflected than sent, jumping.",
        (_MINOR,),
        "",
        "measurement",
    ),
    Condition.REPORTS_MISSING: About(
        "A transmitter is silent while its site is heard.", (_MINOR,), "", "silence"
    ),
    Condition.SITE_UNREACHABLE: About(
        "No transmitter of a site reports, or its link says that it is offline and stays so.",
        (_MAJOR,),
        "",
        "silence",
    ),
    Condition.INTAKE_LATE: About(
        "The intake has not kept all that was sent until now, and falls behind.",
        (_MINOR, _MAJOR),
        "how far it is behind",
        "watchman",
    ),
    Condition.BROKER_LOST: About("A connection to the broker is down.", (_MAJOR,), "", "watchman"),
    Condition.STORE_FILLING: About(
        "The disk of the store, or what it is allowed, runs full; or how full it is cannot be measured.",
        (_WARNING, _MAJOR, _CRITICAL),
        "the room left, and the time until none is at the present growth",
        "watchman",
    ),
    Condition.JOB_MISSED: About(
        "A job at set times (retention, reviews, visits) failed, or did not run when it should have.",
        (_MINOR,),
        "",
        "watchman",
    ),
    Condition.CLOCK_JUMPED: About(
        "The clock of this machine was set, or the machine stood still.", (_WARNING,), "", "watchman"
    ),
    Condition.CHANNEL_FAILING: About(
        "A channel does not get its messages delivered, or gave some up.",
        (_MINOR, _MAJOR),
        "how long the oldest has been waiting",
        "watchman",
    ),
}

#: What a likely cause is (common practice, no source).
CAUSES: dict[Cause, str] = {
    Cause.CONNECTOR: "a connector or jumper that corrodes: creeps up over weeks, wet or dry",
    Cause.WATER: "water in antenna or feeder: rises with rain, recovers part of the way",
    Cause.ANTENNA_DAMAGE: "a broken, bent or fallen antenna: one step, which stays",
    Cause.LOOSE_CONNECTION: "a loose connector, cracked centre pin or chafed jumper: bursts",
    Cause.ICE: "ice or wet snow: at or below freezing with precipitation, gone with the thaw; needs no visit",
    Cause.FEEDER_LOSS: "a feeder whose loss rises: the match seems better, the signal is going",
    Cause.AMPLIFIER: "the power amplifier: less power at the same match",
    Cause.COUPLER: "coupler, detector or their wiring: a finding about the measurement",
    Cause.SHARED_ANTENNA_SYSTEM: "what several transmitters share: combiner, duplexer, feeder, antenna",
    Cause.SITE_LINK: "link or power of the site, or its computer",
    Cause.REGIONAL_WEATHER: "weather over a region: many of its sites move together; needs no visit",
    Cause.UNKNOWN: "not told by the readings",
}
