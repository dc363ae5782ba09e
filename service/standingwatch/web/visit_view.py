"""What the pages about visits show, worked out from the store in one view of its data."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sqlalchemy import Connection

from standingwatch.review.comparing import Level
from standingwatch.review.new_baseline import BaselineWord
from standingwatch.review.proof import ends, overall
from standingwatch.review.proof_data import Proof, Verdict
from standingwatch.review.visits import MOST_URGENT_FIRST, CauseScore, Visit, VisitState, VisitStep, allowed
from standingwatch.store.visit_lines import Baselines, Lines, baselines_of, prove_visit
from standingwatch.store.visits import VisitChange, cause_score, changes_of_visit, load_visit, load_visits
from standingwatch.web import words
from standingwatch.web.roster import Roster

#: States in the order of the page, each with what it says.
STATE_WORDS = {
    VisitState.PROPOSED: "proposed",
    VisitState.PLANNED: "planned",
    VisitState.UNDER_WAY: "under way",
    VisitState.DONE: "done, to be proven",
    VisitState.PROVEN: "proven fixed",
    VisitState.NOT_FIXED: "not fixed",
    VisitState.DROPPED: "dropped",
}

VERDICT_WORDS = {
    Verdict.FIXED: "proven fixed",
    Verdict.NOT_FIXED: "not fixed",
    Verdict.NOT_YET: "cannot say yet",
}

BASELINE_WORDS = {
    BaselineWord.NOT_OPENED: "not opened yet",
    BaselineWord.LEARNING: "being learned",
    BaselineWord.PROPOSED: "proposed",
    BaselineWord.ACCEPTED: "accepted",
}

#: Visits of one state on the page, and closed ones by default.
MOST_SHOWN = 100


@dataclass(frozen=True)
class VisitChoice:
    """Which visits a person asks for; "" for all."""

    state: str = ""
    region: str = ""
    text: str = ""


@dataclass(frozen=True)
class ListedVisit:
    """A visit on the page of all: with what people call its site, and its region."""

    visit: Visit
    title: str
    region: str


@dataclass(frozen=True)
class VisitsView:
    """The page of all visits.

    Attributes:
        columns: visits by state, the most urgent first; closed states newest first.
        counts: how many fit the choice in each state.
        score: how often the likely cause was right.
    """

    columns: dict[VisitState, list[ListedVisit]]
    counts: dict[VisitState, int]
    regions: list[str]
    score: CauseScore


@dataclass(frozen=True)
class EndsShown:
    """A level of a proof at both ends, as the page writes it; "" where it is not known."""

    at_transmitter: str
    at_antenna: str


@dataclass(frozen=True)
class ProofShown:
    """A proof as the page writes it."""

    proof: Proof
    before: EndsShown | None
    after: EndsShown | None
    healthy: EndsShown | None
    gain: str


@dataclass(frozen=True)
class VisitView:
    """The page of one visit.

    Attributes:
        visit: which.
        title, region: what people call its site, and where it lies.
        steps: what can be done with it.
        story: newest first.
        proofs: by transmitter, where it is done.
        verdict: of all of them together.
        baselines: of each transmitter that was worked at.
    """

    visit: Visit
    title: str
    region: str
    steps: tuple[VisitStep, ...]
    story: list[VisitChange]
    proofs: list[ProofShown]
    verdict: Verdict
    baselines: dict[str, Baselines]


def visits_view(connection: Connection, roster: Roster, choice: VisitChoice) -> VisitsView:
    """The page of all visits."""
    wanted = choice.text.casefold()
    columns: dict[VisitState, list[ListedVisit]] = {state: [] for state in VisitState}
    for visit in load_visits(connection):
        listed = ListedVisit(
            visit, roster.title_of_site.get(visit.site, ""), roster.region_of_site.get(visit.site, "")
        )
        names = " ".join([visit.site, listed.title, listed.region, visit.crew, *_names(visit)])
        if choice.region and listed.region != choice.region:
            continue
        if wanted and wanted not in names.casefold():
            continue
        columns[visit.state].append(listed)
    for state in (VisitState.PROPOSED, VisitState.PLANNED, VisitState.UNDER_WAY):
        columns[state].sort(key=_by_urgency)
    counts = {state: len(found) for state, found in columns.items()}
    shown = {
        state: found[:MOST_SHOWN] for state, found in columns.items() if choice.state in ("", state.value)
    }
    return VisitsView(shown, counts, roster.regions, cause_score(connection))


def _names(visit: Visit) -> list[str]:
    return [word for trouble in visit.troubles for word in (*trouble.names, trouble.condition.value)]


def _by_urgency(one: ListedVisit) -> tuple[int, int, str]:
    visit = one.visit
    return MOST_URGENT_FIRST.index(visit.urgency), visit.planned_for_us or visit.proposed_us, visit.site


def site_lines(roster: Roster, site: str) -> Lines:
    """The transmitters of a site by name: number in the store, and inventory row."""
    at = roster.fleet.site_names.index(site) if site in roster.fleet.site_names else None
    if at is None:
        return {}
    return {
        roster.rows[i].transmitter: (int(roster.fleet.key[i]), roster.rows[i])
        for i in roster.members[at].tolist()
    }


def visit_view(connection: Connection, roster: Roster, number: int, now_us: int) -> VisitView | None:
    """The page of one visit; None where there is none."""
    visit = load_visit(connection, number)
    if visit is None:
        return None
    lines = site_lines(roster, visit.site)
    proofs = prove_visit(connection, visit, lines, now_us)
    return VisitView(
        visit,
        roster.title_of_site.get(visit.site, ""),
        roster.region_of_site.get(visit.site, ""),
        allowed(visit.state),
        changes_of_visit(connection, number)[::-1],
        [_shown(proof) for proof in proofs],
        overall(proofs),
        {name: baselines_of(connection, lines[name][0], visit) for name in visit.touched if name in lines},
    )


def verdict_data(proofs: list[Proof]) -> dict[str, object]:
    """Proofs as JSON data, as they are kept with a person's word on them."""

    def level(one: Level | None) -> dict[str, float] | None:
        return None if one is None else {"mean": one.mean, "low": one.low, "high": one.high, "days": one.days}

    return {
        "verdict": overall(proofs).value,
        "proofs": [
            {
                "transmitter": p.transmitter,
                "measure": p.measure.value,
                "verdict": p.verdict.value,
                "reasons": list(p.reasons),
                "unit": p.unit,
                "before": level(p.before),
                "after": level(p.after),
                "healthy": None if math.isnan(p.healthy) else p.healthy,
                "gain_db": level(p.gain),
            }
            for p in proofs
        ],
    }


def _shown(proof: Proof) -> ProofShown:
    def write(level: Level | None) -> EndsShown | None:
        if level is None:
            return None
        if proof.unit == "dB":
            return EndsShown(f"{_watts(level.mean)} ({_watts(level.low)} to {_watts(level.high)})", "")
        at_tx, at_antenna = ends(level, proof.loss_db)
        return EndsShown(_swr(at_tx), _swr(at_antenna))

    healthy = None
    if not math.isnan(proof.healthy):
        healthy = write(Level(proof.healthy, 0.0, 0, 1))
    gain = ""
    if proof.gain is not None:
        gain = f"{proof.gain.mean:+.1f} dB ({proof.gain.low:+.1f} to {proof.gain.high:+.1f} dB)"
    return ProofShown(proof, write(proof.before), write(proof.after), healthy, gain)


def _swr(level: tuple[float, float, float]) -> str:
    mean, low, high = level
    if math.isnan(mean):
        return ""
    if low == high:
        return words.swr(mean)
    return f"{words.swr(mean)} ({words.swr(low)} to {words.swr(high)})"


def _watts(decibels: float) -> str:
    return words.watts(10.0 ** (decibels / 10.0))
