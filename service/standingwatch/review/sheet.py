"""The visit sheet as data: where, why, what to bring, what to measure, what to mind, what to write down."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause
from standingwatch.review.bring import CAUTIONS, LOOK, to_bring
from standingwatch.review.measuring import Ends, LineFacts, Step, ends_of, measuring_plan
from standingwatch.review.visits import Trouble, Visit
from standingwatch.rf.exposure import (
    USUAL_REFLECTION,
    distance_at_limit_m,
    eirp_w,
    occupational_limit_mw_cm2,
    public_limit_mw_cm2,
)

#: A sheet has two pages: so many lines get a measuring plan of their own, so many more their figures.
MOST_PLANS, MOST_LINES = 1, 4
#: So many causes of a trouble, alarms of one and troubles stand on it.
MOST_CAUSES, MOST_ALARMS, MOST_TROUBLES = 3, 3, 4
#: Of what to bring, so much.
MOST_THINGS = 9

#: Why there is no estimate of exposure.
NO_EXPOSURE = (
    "No estimate: it takes the rated power of the transmitters and the gain of the antennas, which the "
    "planner enters."
)


@dataclass(frozen=True)
class Place:
    """The site as the inventory has it; NaN or "" where it does not say."""

    site: str
    name: str = ""
    region: str = ""
    latitude: float = math.nan
    longitude: float = math.nan


@dataclass(frozen=True)
class SheetLine:
    """A line of the sheet: one antenna line with what is known of it, and its match before and now."""

    facts: LineFacts
    normal: Ends
    now: Ends
    short_db: float
    plan: tuple[Step, ...]


@dataclass(frozen=True)
class SheetCause:
    """A likely cause, what speaks for it and against it as the watch saw it, and what to look at."""

    cause: Cause
    confidence: float
    because: str
    look: str


@dataclass(frozen=True)
class SheetTrouble:
    """A trouble with its causes in order; `more_alarms` more than are shown speak of it."""

    trouble: Trouble
    causes: tuple[SheetCause, ...]
    more_alarms: int


@dataclass(frozen=True)
class Exposure:
    """An estimate of exposure in the main beam of one transmitter, ground reflection as usual.

    Attributes:
        transmitter: which.
        eirp_w: equivalent isotropically radiated power [W].
        occupational_m, public_m: distance at which the power density has fallen to each limit [m].
    """

    transmitter: str
    eirp_w: float
    occupational_m: float
    public_m: float


@dataclass(frozen=True)
class Sheet:
    """The visit sheet.

    Attributes:
        visit, place: what it is about.
        made_us: when it was made [Unix microseconds].
        troubles: what is wrong, gravest first; `more_troubles` more are not shown.
        lines: the antenna lines concerned, the first with a measuring plan; `more_lines` more are not shown.
        bring: what to bring, what the likely causes ask for first.
        cautions: what to mind.
        exposure: estimates of exposure; empty with the reason in `no_exposure`.
    """

    visit: Visit
    place: Place
    made_us: int
    troubles: tuple[SheetTrouble, ...]
    more_troubles: int
    lines: tuple[SheetLine, ...]
    more_lines: int
    bring: tuple[str, ...]
    cautions: tuple[str, ...]
    exposure: tuple[Exposure, ...]
    no_exposure: str


def make_sheet(visit: Visit, place: Place, lines: Sequence[LineFacts], made_us: int) -> Sheet:
    """Make the sheet of a visit.

    Args:
        visit: which.
        place: its site.
        lines: all antenna lines of the site; those that the visit is about are found by name.
        made_us: now [Unix microseconds].
    """
    by_name = {facts.transmitter: facts for facts in lines}
    named = [name for trouble in visit.troubles for name in trouble.names]
    concerned = [by_name[name] for name in dict.fromkeys(named) if name in by_name]
    causes = [cause.cause for trouble in visit.troubles for cause in trouble.causes[:MOST_CAUSES]]
    exposure = tuple(_exposures(lines, visit.antenna_gain_dbi))
    shown = visit.troubles[:MOST_TROUBLES]
    return Sheet(
        visit,
        place,
        made_us,
        tuple(_trouble(trouble) for trouble in shown),
        len(visit.troubles) - len(shown),
        tuple(_line(facts, number < MOST_PLANS) for number, facts in enumerate(concerned[:MOST_LINES])),
        max(len(concerned) - MOST_LINES, 0),
        to_bring(causes)[:MOST_THINGS],
        CAUTIONS,
        exposure[:MOST_LINES],
        "" if exposure else NO_EXPOSURE,
    )


def _trouble(trouble: Trouble) -> SheetTrouble:
    causes = trouble.causes or (LikelyCause(Cause.UNKNOWN, 0.0, "nothing points to one cause"),)
    return SheetTrouble(
        trouble,
        tuple(SheetCause(c.cause, c.confidence, c.because, LOOK[c.cause]) for c in causes[:MOST_CAUSES]),
        max(len(trouble.alarms) - MOST_ALARMS, 0),
    )


def _line(facts: LineFacts, with_plan: bool) -> SheetLine:
    return SheetLine(
        facts,
        ends_of(facts, facts.baseline_rho),
        ends_of(facts, facts.present_rho),
        2.0 * facts.loss_db,
        measuring_plan(facts) if with_plan else (),
    )


def _exposures(lines: Sequence[LineFacts], gain_dbi: float | None) -> list[Exposure]:
    """Estimates for all transmitters of the site whose figures are there."""
    found = []
    for facts in lines:
        if gain_dbi is None or math.isnan(facts.rated_power_w):
            continue
        # Without a listed loss nothing is taken off: that errs on the safe side.
        radiated_w = eirp_w(
            facts.rated_power_w, 0.0 if math.isnan(facts.loss_db) else facts.loss_db, gain_dbi
        )
        limits = [float(f(facts.frequency_mhz)) for f in (occupational_limit_mw_cm2, public_limit_mw_cm2)]
        distances = [distance_at_limit_m(radiated_w, limit, USUAL_REFLECTION) for limit in limits]
        found.append(Exposure(facts.transmitter, radiated_w, distances[0], distances[1]))
    return sorted(found, key=lambda one: -one.occupational_m)


def findings_form(visit: Visit) -> Mapping[str, str]:
    """Which troubles ask for a true cause: transmitter and how it is called."""
    return {t.transmitter: t.transmitter or "the whole site" for t in visit.troubles}
