"""What to bring to a visit and what to look at, by likely cause; and the cautions that go with every visit.

All of it is common practice without a source, but where one is named. It never stands in for local codes, the
site's safety plan, or licensed and certified practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from standingwatch.detect.words import Cause

#: What every crew brings that measures a match.
ALWAYS = (
    "antenna analyser or network analyser, its calibration kit in date",
    "good load for the band, rated for the power; short and open for the far end",
    "jumpers and adapters known to be good; torque wrench; cleaning kit for connectors",
    "lock-out tags, RF monitor, first-aid kit, means to call from where there is no coverage",
)

BRING: Mapping[Cause, tuple[str, ...]] = {
    Cause.CONNECTOR: (
        "connectors for feeder and jumpers with tools to fit them",
        "spare jumpers, weatherproofing tape",
    ),
    Cause.WATER: (
        "weatherproofing kit, spare connectors",
        "spare jumper, dry gas or a pump where the line is filled",
    ),
    Cause.ANTENNA_DAMAGE: ("spare antenna and mounting, climbers", "binoculars or a drone with leave to fly"),
    Cause.LOOSE_CONNECTION: (
        "torque wrench, spare connectors and jumpers",
        "cable ties, hangers against chafing",
    ),
    Cause.FEEDER_LOSS: (
        "time-domain reflectometer or an analyser that finds distance to fault",
        "splice kit, feeder",
    ),
    Cause.AMPLIFIER: ("power meter and load for full power", "spare amplifier or transmitter"),
    Cause.COUPLER: ("second power meter to compare with", "spare coupler, detector and their cable"),
    Cause.SHARED_ANTENNA_SYSTEM: (
        "spare for combiner or duplexer parts, their tuning data",
        "shared jumper and connectors",
    ),
    Cause.SITE_LINK: (
        "spare router or radio of the link, its settings",
        "meter for mains and battery, fuses",
    ),
    Cause.ICE: ("nothing: it goes with the thaw",),
    Cause.REGIONAL_WEATHER: ("nothing: it goes with the weather",),
    Cause.UNKNOWN: (),
}

LOOK: Mapping[Cause, str] = {
    Cause.CONNECTOR: (
        "green or white corrosion, discoloured pins, tape that has let go; work each joint by hand "
        "while you measure"
    ),
    Cause.WATER: (
        "drops when a joint is opened low on the line, wet foam or braid, open drain holes, cracked radome"
    ),
    Cause.ANTENNA_DAMAGE: (
        "bent, broken or turned elements, burn marks, a line pulled off; compare with the photos of "
        "the last visit"
    ),
    Cause.LOOSE_CONNECTION: (
        "what moves: jumpers, clamps, centre pins; watch the analyser while somebody moves each"
    ),
    Cause.FEEDER_LOSS: "dents, kinks, water; loss by short and open against what is listed",
    Cause.AMPLIFIER: "power into a load, supply voltage and current, fans, temperature",
    Cause.COUPLER: "the same power on a second meter; detector, its cable and the input that reads it",
    Cause.SHARED_ANTENNA_SYSTEM: (
        "what they share from the combiner up: its antenna port, jumper, protector, feeder, antenna"
    ),
    Cause.SITE_LINK: "mains, battery, router, link radio and its antenna",
    Cause.ICE: "ice that is left, and what it bent",
    Cause.REGIONAL_WEATHER: "what other sites of the region show",
    Cause.UNKNOWN: "begin at the transmitter and go up, joint by joint",
}

#: From common practice; none of them replaces local codes, the site's safety plan or certified people.
CAUTIONS = (
    "Local codes, the site's safety plan and licensed or certified practice come first; this sheet "
    "does not replace them.",
    "Take the transmitter off the air and lock it out before a connector is opened: RF burns, and an "
    "amplifier without a load.",
    "Other transmitters of the site keep radiating: mind the limits of RF exposure (in the US 47 CFR "
    "1.1310 and OET "
    "Bulletin 65) near antennas, and carry a monitor.",
    "Only trained climbers climb, with fall protection, never alone, not in wind, ice or lightning weather.",
    "Lightning protection and grounding are restored before power; mains and battery are for "
    "qualified persons.",
)


def to_bring(causes: Iterable[Cause]) -> tuple[str, ...]:
    """What to bring for some causes, in their order, each thing once; what is always brought comes last."""
    things = [thing for cause in causes for thing in BRING[cause]]
    return tuple(dict.fromkeys([*things, *ALWAYS]))
