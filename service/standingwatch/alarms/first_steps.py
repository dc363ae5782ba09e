"""What to do first about each condition. All of it is common practice and has no published source."""

from __future__ import annotations

from standingwatch.detect.words import Condition, Severity

#: Goes with every step that leads to work on the line or the amplifier (common practice, no source; it never
#: takes the place of local codes and the site's safety plan).
OFF_THE_AIR = "Never open a connector with the transmitter on the air: take it off and lock it out first."

#: What to do first (common practice, no source).
FIRST_STEP = {
    Condition.SWR_HIGH: "Compare with the other transmitters on the same antenna line.",
    Condition.SWR_RISING: "Compare with wet and dry days, and plan a visit while the rise is still slow.",
    Condition.SWR_STEP: "Compare with the other transmitters on the same antenna line, and ask what storm, "
    f"ice or work there was at that time; then inspect antenna and line. {OFF_THE_AIR}",
    Condition.SWR_INTERMITTENT: "Set the times of the bursts beside wind and temperature; on site, look for "
    f"loose connectors, chafed jumpers and cracked centre pins. {OFF_THE_AIR}",
    Condition.SWR_WEATHER: "Compare this dry spell with the one before: what does not come back is damage. "
    f"Plan to look for water in the antenna, the connectors and the feeder. {OFF_THE_AIR}",
    Condition.FEEDER_LOSS_RISING: "Do not take it for an improvement: a lossier feeder hides the antenna. "
    f"Compare the coverage, and plan to measure the feeder's loss and to look for water in it. {OFF_THE_AIR}",
    Condition.FORWARD_POWER_LOW: "Check set power, supply and temperature by remote control; if they are as "
    "they should be, the amplifier wants measuring into a dummy load. "
    "Switch it off before the load is put on or taken off.",
    Condition.FOLDBACK_ACTIVE: "Treat it as a loss of coverage, and not as safe: the protection may act too "
    "late. Reduce the power, and compare with the other transmitters on the same antenna line. "
    "Have the match mended, and leave the protection as it is.",
    Condition.MEASUREMENT_SUSPECT: "Trust no SWR of this transmitter until the meter is checked: compare "
    f"with another meter, then check coupler, detector and wiring. {OFF_THE_AIR}",
    Condition.REPORTS_MISSING: "See by other means whether the transmitter is on the air; "
    "check its meter and the meter's supply.",
    Condition.SITE_UNREACHABLE: "Check link and power of the site before anything else.",
    # About the service itself: for whoever runs the machine that it is on.
    Condition.INTAKE_LATE: "Silent sites are not noticed meanwhile. See whether the broker can be reached "
    "and the store can be written, then whether the machine has too much to do.",
    Condition.BROKER_LOST: "No reports come in meanwhile. See whether the broker runs and can be reached "
    "from this machine, and whether name, password and certificate still hold.",
    Condition.STORE_FILLING: "Make room on its disk, or give it a larger one, before it is full: nothing is "
    "taken in then. Readings are kept for a shorter time with store.keep_readings_days.",
    Condition.JOB_MISSED: "Read in the log why it failed. When the store is the reason, mend that first; "
    "the job runs again by itself.",
    Condition.CLOCK_JUMPED: "See whether the machine's clock is right and is kept so (NTP), and whether the "
    "machine was halted or moved. Times of alarms around the jump may be wrong.",
    Condition.CHANNEL_FAILING: "See whether its receiver can be reached and takes messages, with: "
    "standingwatch notify test CHANNEL. What waits is delivered by itself; what was given up on has "
    "to be sent again.",
}

#: The same for an SWR that endangers the transmitter (common practice, no source).
REDUCE_POWER = (
    "Reduce its power or take it off the air: the protection may act too late. "
    "Then compare with the other transmitters on the same antenna line."
)

#: The same where several transmitters read it at once (common practice, no source).
SHARED_SWR = (
    "Reduce their power or take them off the air: the protection may act too late. "
    "Then look at what they share: antenna, feeder, combiner."
)


def first_step(condition: Condition, severity: Severity, *, is_group: bool) -> str:
    """What to do first.

    Args:
        condition: what is wrong.
        severity: how bad, not `CLEARED`.
        is_group: whether several transmitters are in it.
    """
    if condition is Condition.SWR_HIGH and severity >= Severity.MAJOR:
        return SHARED_SWR if is_group else REDUCE_POWER
    return FIRST_STEP[condition]
