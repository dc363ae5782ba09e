"""A site visit from proposal to proof, as data: its states, what may follow on what, and what it is for.

    proposed -> planned -> under-way -> done -> proven | not-fixed; dropped, with a reason, on the way there

A visit is to a site: what one trip can do belongs to it. Its troubles are one per resource (a transmitter,
or the site or a group of it), each with the alarms that speak of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Any

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.overnight import URGENCIES

#: Longest reason, note or name of a crew [characters], as of comments on alarms.
LONGEST_TEXT, LONGEST_CREW = 2000, 100

#: Urgencies, the gravest first.
MOST_URGENT_FIRST = URGENCIES


class VisitState(StrEnum):
    """Where a visit stands."""

    PROPOSED = "proposed"
    PLANNED = "planned"
    UNDER_WAY = "under-way"
    DONE = "done"
    PROVEN = "proven"
    NOT_FIXED = "not-fixed"
    DROPPED = "dropped"


class VisitStep(StrEnum):
    """What can be done with a visit."""

    PLAN = "plan"
    BEGIN = "begin"
    FINISH = "done"
    DROP = "drop"
    PROVE = "proven"
    REFUTE = "not-fixed"


#: What follows on what. A visit under way may be planned anew: the crew turned round. What was worked at is
#: not dropped but done, so that somebody looks at what came of it.
NEXT: Mapping[VisitState, Mapping[VisitStep, VisitState]] = {
    VisitState.PROPOSED: {
        VisitStep.PLAN: VisitState.PLANNED,
        VisitStep.BEGIN: VisitState.UNDER_WAY,
        VisitStep.DROP: VisitState.DROPPED,
    },
    VisitState.PLANNED: {
        VisitStep.PLAN: VisitState.PLANNED,
        VisitStep.BEGIN: VisitState.UNDER_WAY,
        VisitStep.DROP: VisitState.DROPPED,
    },
    VisitState.UNDER_WAY: {
        VisitStep.PLAN: VisitState.PLANNED,
        VisitStep.FINISH: VisitState.DONE,
    },
    VisitState.DONE: {VisitStep.PROVE: VisitState.PROVEN, VisitStep.REFUTE: VisitState.NOT_FIXED},
    VisitState.PROVEN: {},
    VisitState.NOT_FIXED: {},
    VisitState.DROPPED: {},
}

#: States in which new troubles of the site join the visit.
OPEN = (VisitState.PROPOSED, VisitState.PLANNED, VisitState.UNDER_WAY)
#: States in which nothing more is to be done with a visit.
CLOSED = tuple(state for state, steps in NEXT.items() if not steps)


class VisitError(Exception):
    """What was asked for is not possible with the visit as it is; the text says why and what is."""


@dataclass(frozen=True)
class TroubleAlarm:
    """An alarm that speaks of a trouble.

    Attributes:
        condition: what is wrong.
        severity: the last one.
        raised_us: since when [Unix microseconds].
        ended_us: when it ended; None while it stands.
        text: what it says.
    """

    condition: Condition
    severity: Severity
    raised_us: int
    ended_us: int | None = None
    text: str = ""


@dataclass(frozen=True)
class Trouble:
    """What is wrong with one resource of the site.

    Attributes:
        transmitter: which; "" for the whole site or a group.
        condition: the alarm that says most.
        causes: likely causes, most likely first.
        urgency: one of `MOST_URGENT_FIRST`.
        calls: whether it calls for the visit; false for what is only done with the same trip.
        noted_us: since when it belongs to the visit [Unix microseconds].
        members: names of the transmitters in the group, at this site.
        alarms: those that stand, and those that ended since it was noted.
        found: the true cause as it was found; None while nobody said.
    """

    transmitter: str
    condition: Condition
    causes: tuple[LikelyCause, ...]
    urgency: str
    calls: bool
    noted_us: int
    members: tuple[str, ...] = ()
    alarms: tuple[TroubleAlarm, ...] = ()
    found: Cause | None = None

    @property
    def likely_cause(self) -> Cause:
        """The most likely cause."""
        return self.causes[0].cause if self.causes else Cause.UNKNOWN

    @property
    def stands(self) -> bool:
        """Whether an alarm of it stands."""
        return any(alarm.ended_us is None for alarm in self.alarms)

    @property
    def ended_us(self) -> int | None:
        """When the last of its alarms ended [Unix microseconds]; None while one stands."""
        ends = [alarm.ended_us for alarm in self.alarms if alarm.ended_us is not None]
        return None if self.stands or not ends else max(ends)

    @property
    def names(self) -> tuple[str, ...]:
        """The transmitters that it is about; empty for the whole site."""
        return (self.transmitter,) if self.transmitter else self.members


@dataclass(frozen=True)
class Finding:
    """What a crew found and did.

    Attributes:
        by, time_us: who wrote it down, and when [Unix microseconds].
        text: what was found and done, in words, with what was measured.
    """

    by: str
    time_us: int
    text: str


@dataclass(frozen=True)
class Acceptance:
    """A person's word on a new baseline: what the line shall be held against from now on.

    Attributes:
        transmitter: whose.
        version: which version of its baselines.
        rho, spread: its level and spread as they were then, in rho at the transmitter.
        by, time_us: who accepted it, and when [Unix microseconds].
    """

    transmitter: str
    version: int
    rho: float
    spread: float
    by: str
    time_us: int


@dataclass(frozen=True)
class Visit:
    """A visit. Times: Unix microseconds, None where it has not come to that.

    Attributes:
        number: its number; 0 before it is kept.
        site: where.
        state: where it stands.
        proposed_us, changed_us: when it was proposed, and when its state last changed.
        troubles: what it is for.
        planned_for_us, crew: when it is planned for, and who goes.
        begun_us, ended_us: when the work began and was done.
        access: notes for whoever drives there: keys, road, whom to call.
        antenna_gain_dbi: gain of the antennas for the estimate of exposure [dBi]; None if not known.
        windows: numbers of the windows of work that it opened.
        finding: what was found; None while nobody said.
        verdict: what the comparison said when a person decided: JSON data of `review/proof_data.py`.
        accepted: the new baselines that a person has accepted, the newest last.
    """

    number: int
    site: str
    state: VisitState
    proposed_us: int
    changed_us: int
    troubles: tuple[Trouble, ...]
    planned_for_us: int | None = None
    crew: str = ""
    begun_us: int | None = None
    ended_us: int | None = None
    access: str = ""
    antenna_gain_dbi: float | None = None
    windows: tuple[int, ...] = ()
    finding: Finding | None = None
    verdict: Mapping[str, Any] = field(default_factory=dict)
    accepted: tuple[Acceptance, ...] = ()

    @property
    def urgency(self) -> str:
        """The gravest urgency of what calls for it."""
        return gravest(t.urgency for t in self.troubles if t.calls)

    @property
    def is_open(self) -> bool:
        """Whether new troubles of the site join it."""
        return self.state in OPEN

    @property
    def stands(self) -> bool:
        """Whether anything that calls for it still stands."""
        return any(trouble.stands for trouble in self.troubles if trouble.calls)

    @property
    def resources(self) -> set[tuple[str, str]]:
        """Site and transmitter of each resource that it is about, members included."""
        names = {t.transmitter for t in self.troubles} | {m for t in self.troubles for m in t.members}
        return {(self.site, name) for name in names}

    @property
    def touched(self) -> tuple[str, ...]:
        """Transmitters whose match may be another one after the work; not those that only do not report."""
        silent = (Condition.REPORTS_MISSING, Condition.SITE_UNREACHABLE)
        touched = [t for t in self.troubles if any(a.condition not in silent for a in t.alarms)]
        return tuple(sorted({name for trouble in touched for name in trouble.names}))


def gravest(urgencies: Any) -> str:
    """The gravest of some urgencies; the least grave that there is for none."""
    given = set(urgencies)
    return next((u for u in MOST_URGENT_FIRST if u in given), MOST_URGENT_FIRST[-1])


def allowed(state: VisitState) -> tuple[VisitStep, ...]:
    """What can be done with a visit in a state."""
    return tuple(NEXT[state])


def step(visit: Visit, what: VisitStep, now_us: int, **changes: Any) -> Visit:
    """The visit after a step.

    Args:
        visit: as it is.
        what: the step.
        now_us: now [Unix microseconds].
        changes: members of the visit that change with it.

    Raises:
        VisitError: if the step is not possible in its state.
    """
    state = NEXT[visit.state].get(what)
    if state is None:
        possible = ", ".join(allowed(visit.state)) or "nothing more"
        raise VisitError(f"visit {visit.number} is {visit.state}: got {what}, possible is {possible}")
    if what is VisitStep.BEGIN:
        changes.setdefault("begun_us", now_us)
        changes.setdefault("ended_us", None)
    if what is VisitStep.FINISH:
        changes.setdefault("ended_us", now_us)
    if what is VisitStep.PLAN and visit.state is VisitState.UNDER_WAY:
        # The crew turned round: nothing was worked at.
        changes.setdefault("begun_us", None)
    return replace(visit, state=state, changed_us=now_us, **changes)


def with_found(visit: Visit, found: Mapping[str, Cause], finding: Finding) -> Visit:
    """The visit with what was found.

    Args:
        visit: as it is.
        found: the true cause by transmitter, "" for that of the site or a group.
        finding: who says so, and what was found and done.

    Raises:
        VisitError: if nothing was worked at yet, or it is about another transmitter than those of the visit.
    """
    if visit.state not in (VisitState.DONE, VisitState.PROVEN, VisitState.NOT_FIXED):
        raise VisitError(f"visit {visit.number} is {visit.state}: findings are noted when it is done")
    known = {trouble.transmitter for trouble in visit.troubles}
    if strange := sorted(set(found) - known):
        raise VisitError(f"findings: got {', '.join(strange)}, wanted transmitters that the visit is for")
    troubles = tuple(replace(t, found=found.get(t.transmitter, t.found)) for t in visit.troubles)
    return replace(visit, troubles=troubles, finding=finding)


# To and from JSON ---------------------------------------------------------------------------------------


def record_of(visit: Visit) -> dict[str, Any]:
    """What a visit is for and what was found, as JSON data; the rest are columns of the store."""
    return {
        "troubles": [asdict(trouble) for trouble in visit.troubles],
        "access": visit.access,
        "antenna_gain_dbi": visit.antenna_gain_dbi,
        "windows": list(visit.windows),
        "accepted": [asdict(one) for one in visit.accepted],
    }


def troubles_of(record: Mapping[str, Any]) -> tuple[Trouble, ...]:
    """The troubles in a record."""
    return tuple(_trouble(one) for one in record["troubles"])


def accepted_of(record: Mapping[str, Any]) -> tuple[Acceptance, ...]:
    """The accepted baselines in a record; none in one that was kept before there were any."""
    return tuple(Acceptance(**one) for one in record.get("accepted", ()))


def _trouble(data: Mapping[str, Any]) -> Trouble:
    return Trouble(
        data["transmitter"],
        Condition(data["condition"]),
        tuple(LikelyCause(Cause(c["cause"]), c["confidence"], c["because"]) for c in data["causes"]),
        data["urgency"],
        data["calls"],
        data["noted_us"],
        tuple(data["members"]),
        tuple(
            TroubleAlarm(
                Condition(a["condition"]), Severity(a["severity"]), a["raised_us"], a["ended_us"], a["text"]
            )
            for a in data["alarms"]
        ),
        None if data["found"] is None else Cause(data["found"]),
    )


# How often the likely cause was right -------------------------------------------------------------------


@dataclass(frozen=True)
class CauseScore:
    """How often the leading likely cause was the true one.

    Attributes:
        right, told: of so many troubles whose true cause was found, so many were told right.
        by_cause: the same by the cause that led.
        not_found: troubles of visits done whose cause nobody could tell.
    """

    right: int = 0
    told: int = 0
    by_cause: Mapping[Cause, tuple[int, int]] = field(default_factory=dict)
    not_found: int = 0

    @property
    def share(self) -> float | None:
        """Right of told, 0..1; None where none is told."""
        return self.right / self.told if self.told else None


def score_causes(visits: Any) -> CauseScore:
    """Count over visits how often the leading likely cause was the true one."""
    by_cause: dict[Cause, tuple[int, int]] = {}
    not_found = 0
    for visit in visits:
        for trouble in visit.troubles:
            if trouble.found is None:
                continue
            if trouble.found is Cause.UNKNOWN:
                not_found += 1
                continue
            right, told = by_cause.get(trouble.likely_cause, (0, 0))
            by_cause[trouble.likely_cause] = (right + (trouble.found is trouble.likely_cause), told + 1)
    return CauseScore(
        sum(right for right, _ in by_cause.values()),
        sum(told for _, told in by_cause.values()),
        by_cause,
        not_found,
    )
