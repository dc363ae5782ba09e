"""Visits as they are kept: taking out, putting in, and every act on one with its line of the story.

Acts on visits go one after the other, under the lock of what people do with alarms (`desk_mark`): they open
and end windows of work. A step that is not possible raises `review.visits.VisitError`.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, insert, select, tuple_, update

from standingwatch.alarms.handling import AUTOMATIC, can_be_kept
from standingwatch.detect.words import Cause
from standingwatch.review.trips import advance_visits
from standingwatch.review.visits import (
    LONGEST_CREW,
    LONGEST_TEXT,
    CauseScore,
    Finding,
    Visit,
    VisitError,
    VisitState,
    VisitStep,
    accepted_of,
    record_of,
    score_causes,
    step,
    troubles_of,
    with_found,
)
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms
from standingwatch.store.desk_mark import lock_desk
from standingwatch.store.visit_windows import close_windows, open_windows, take_windows_away
from standingwatch.store.watchman import load_note, save_note

#: Name of the note of resources for which a visit is proposed already.
PROPOSED_NOTE = "visits-proposed"


@dataclass(frozen=True)
class VisitChange:
    """A line of a visit's story."""

    time_us: int
    by: str
    state: VisitState
    text: str


def load_visits(
    connection: Connection,
    states: Collection[VisitState] | None = None,
    site: str = "",
    *,
    after: tuple[int, int] | None = None,
    limit: int | None = None,
) -> list[Visit]:
    """Visits, of some states and of one site or of all, the newest change first.

    Args:
        connection: a transaction.
        states: only those; None for all.
        site: only those to this one; "" for all.
        after: only those behind the one that changed then [Unix microseconds] and has this number.
        limit: so many at most; None for all.
    """
    columns = tables.visits.c
    query = select(tables.visits).where(*_chosen(states, site))
    query = query.order_by(columns.changed_us.desc(), columns.id.desc()).limit(limit)
    if after is not None:
        query = query.where(tuple_(columns.changed_us, columns.id) < after)
    return [_visit(row) for row in connection.execute(query)]


def visits_in_all(
    connection: Connection, states: Collection[VisitState] | None = None, site: str = ""
) -> int:
    """How many visits there are, of some states and of one site or of all."""
    query = select(func.count()).select_from(tables.visits).where(*_chosen(states, site))
    return int(connection.execute(query).scalar_one())


def _chosen(states: Collection[VisitState] | None, site: str) -> list[ColumnElement[bool]]:
    columns, wanted = tables.visits.c, list[ColumnElement[bool]]()
    if states is not None:
        wanted.append(columns.state.in_([state.value for state in states]))
    if site:
        wanted.append(columns.site == site)
    return wanted


def load_visit(connection: Connection, number: int) -> Visit | None:
    """One visit; None where there is none of this number."""
    row = connection.execute(select(tables.visits).where(tables.visits.c.id == number)).one_or_none()
    return None if row is None else _visit(row)


def count_visits(connection: Connection) -> dict[VisitState, int]:
    """How many visits there are in each state, 0 where there are none."""
    state = tables.visits.c.state
    rows = connection.execute(select(state, func.count()).group_by(state))
    found: dict[str, int] = {row[0]: row[1] for row in rows}
    return {one: int(found.get(one.value, 0)) for one in VisitState}


def changes_of_visit(connection: Connection, number: int) -> list[VisitChange]:
    """The story of a visit, oldest first."""
    columns = tables.visit_changes.c
    query = select(tables.visit_changes).where(columns.visit == number).order_by(columns.id)
    return [VisitChange(r.time_us, r.by, VisitState(r.state), r.text) for r in connection.execute(query)]


def _visit(row: Any) -> Visit:
    record, findings = json.loads(row.reasons), json.loads(row.findings or "null")
    return Visit(
        row.id,
        row.site,
        VisitState(row.state),
        row.proposed_us,
        row.changed_us,
        troubles_of(record),
        row.planned_for_us,
        row.crew,
        row.begun_us,
        row.ended_us,
        record["access"],
        record["antenna_gain_dbi"],
        tuple(record["windows"]),
        None if findings is None else Finding(**findings),
        json.loads(row.proof or "{}"),
        accepted_of(record),
    )


def keep_visit(connection: Connection, visit: Visit, *, by: str, text: str, now_us: int) -> Visit:
    """Keep a visit, a new one under a number of its own; a line of its story where there is a text."""
    values = {
        "site": visit.site,
        "state": visit.state.value,
        "urgency": visit.urgency,
        "proposed_us": visit.proposed_us,
        "changed_us": visit.changed_us,
        "planned_for_us": visit.planned_for_us,
        "crew": visit.crew,
        "begun_us": visit.begun_us,
        "ended_us": visit.ended_us,
        "reasons": json.dumps(record_of(visit)),
        "findings": "" if visit.finding is None else json.dumps(vars(visit.finding)),
        "proof": json.dumps(dict(visit.verdict)) if visit.verdict else "",
    }
    if visit.number:
        connection.execute(update(tables.visits).where(tables.visits.c.id == visit.number).values(**values))
    else:
        number = connection.execute(insert(tables.visits).values(**values)).inserted_primary_key
        if number is None:
            raise RuntimeError("the database gave no number to the visit it has just kept")
        visit = replace(visit, number=int(number[0]))
    if text:
        line = {"visit": visit.number, "time_us": now_us, "by": by, "state": visit.state.value, "text": text}
        connection.execute(insert(tables.visit_changes).values(**line))
    return visit


def follow_alarms(connection: Connection, now_us: int) -> int:
    """Bring all visits up to date with the alarms, and propose new ones; returns how many were proposed.

    As `replay` does day by day. What was proposed is kept with it, so that a restart, or a second run within
    the hour, proposes nothing twice.
    """
    lock_desk(connection)
    standing = load_alarms(connection, standing_only=True).values()
    proposed = {(site, name) for site, name in load_note(connection, PROPOSED_NOTE) or []}
    before = set(proposed)
    # Proven ones have no say any more.
    visits = load_visits(connection, [state for state in VisitState if state is not VisitState.PROVEN])
    of_note = [v for v in visits if v.is_open or v.resources & proposed]
    new = 0
    for change in advance_visits(of_note, standing, proposed, now_us):
        new += change.visit.number == 0
        keep_visit(connection, change.visit, by=AUTOMATIC, text=change.text, now_us=now_us)
    if proposed != before:
        save_note(connection, PROPOSED_NOTE, sorted(proposed))
    return new


# What people do -----------------------------------------------------------------------------------------


def plan_visit(
    connection: Connection,
    number: int,
    *,
    by: str,
    now_us: int,
    planned_for_us: int,
    crew: str,
    access: str = "",
    antenna_gain_dbi: float | None = None,
) -> Visit:
    """Plan a visit, or plan it anew: when, and who goes.

    Args:
        connection: a writing transaction.
        number: which.
        by: who plans it.
        now_us: now [Unix microseconds].
        planned_for_us: when [Unix microseconds].
        crew: who goes.
        access: notes for whoever drives there.
        antenna_gain_dbi: gain of the antennas, for the estimate of exposure [dBi]; None if not known.
    """
    visit = _locked(connection, number)
    _texts(crew=crew, access=access)
    if not crew.strip():
        raise VisitError("crew: nobody is named; say who goes")
    if antenna_gain_dbi is not None and not -20.0 <= antenna_gain_dbi <= 40.0:
        raise VisitError(f"antenna gain: got {antenna_gain_dbi:g}, wanted -20 to 40 dBi")
    turned_round = visit.state is VisitState.UNDER_WAY
    after = step(
        visit,
        VisitStep.PLAN,
        now_us,
        planned_for_us=planned_for_us,
        crew=crew.strip(),
        access=access.strip(),
        antenna_gain_dbi=antenna_gain_dbi,
    )
    if turned_round:
        take_windows_away(connection, visit.windows)
        after = replace(after, windows=())
    text = f"planned for {after.crew}" + (
        "; the crew turned round, nothing was worked at" if turned_round else ""
    )
    return keep_visit(connection, after, by=by, text=text, now_us=now_us)


def begin_visit(connection: Connection, number: int, *, by: str, now_us: int, until_us: int) -> Visit:
    """Begin the work: it opens windows of work, which explain alarms and end when it is done.

    Args:
        connection: a writing transaction.
        number: which.
        by: who begins it, in whose name the windows are entered.
        now_us: now [Unix microseconds].
        until_us: when the windows end if nobody says before that it is done [Unix microseconds].
    """
    visit = _locked(connection, number)
    if until_us <= now_us:
        raise VisitError("until: got a time that is over, wanted one to come")
    after = step(visit, VisitStep.BEGIN, now_us)
    windows = open_windows(connection, after, by=by, start_us=now_us, end_us=until_us)
    after = replace(after, windows=windows)
    return keep_visit(connection, after, by=by, text="the work has begun", now_us=now_us)


def finish_visit(connection: Connection, number: int, *, by: str, now_us: int) -> Visit:
    """The work is done: its windows end, and where the match may be another one a new baseline opens."""
    visit = _locked(connection, number)
    after = step(visit, VisitStep.FINISH, now_us)
    windows = close_windows(connection, visit, by=by, now_us=now_us)
    after = replace(after, windows=windows)
    return keep_visit(connection, after, by=by, text="the work is done", now_us=now_us)


def drop_visit(connection: Connection, number: int, *, by: str, now_us: int, reason: str) -> Visit:
    """Drop a visit that will not be made, with a reason."""
    visit = _locked(connection, number)
    _texts(reason=reason)
    if not reason.strip():
        raise VisitError("reason: empty; say why nobody drives")
    after = step(visit, VisitStep.DROP, now_us)
    return keep_visit(connection, after, by=by, text=reason.strip(), now_us=now_us)


def note_findings(
    connection: Connection, number: int, *, by: str, now_us: int, found: Mapping[str, Cause], text: str
) -> Visit:
    """Keep what was found: the true cause of each trouble that is named, and words."""
    visit = _locked(connection, number)
    _texts(findings=text)
    if not text.strip() and not found:
        raise VisitError("findings: nothing is said; choose a cause or write what was found")
    finding = Finding(by, now_us, text.strip())
    after = with_found(visit, found, finding)
    causes = ", ".join(f"{name or 'the whole site'}: {cause}" for name, cause in sorted(found.items()))
    said = "; ".join(filter(None, (causes, finding.text)))
    return keep_visit(connection, after, by=by, text=f"found: {said}", now_us=now_us)


def judge_visit(
    connection: Connection,
    number: int,
    *,
    by: str,
    now_us: int,
    proven: bool,
    verdict: Mapping[str, Any],
    reason: str = "",
) -> Visit:
    """A person's word on a visit that is done: proven fixed, or not fixed.

    Args:
        connection: a writing transaction.
        number: which.
        by: who decides.
        now_us: now [Unix microseconds].
        proven: whether it is fixed.
        verdict: what the comparison said at that time, with its "verdict"; kept with the visit.
        reason: why, where the person and the comparison differ.
    """
    visit = _locked(connection, number)
    _texts(reason=reason)
    said = verdict["verdict"]
    if said != ("proven-fixed" if proven else "not-fixed") and not reason.strip():
        raise VisitError(f"reason: empty; the comparison says {said}, so say why you decide otherwise")
    after = step(visit, VisitStep.PROVE if proven else VisitStep.REFUTE, now_us, verdict=dict(verdict))
    what = "proven fixed" if proven else "not fixed"
    text = f"{what}; the comparison said {said}" + (f"; {reason.strip()}" if reason.strip() else "")
    return keep_visit(connection, after, by=by, text=text, now_us=now_us)


def cause_score(connection: Connection, since_us: int = 0) -> CauseScore:
    """How often the leading likely cause was the true one, over visits done at or after a time.

    Args:
        connection: a transaction.
        since_us: [Unix microseconds].
    """
    columns = tables.visits.c
    query = select(tables.visits).where(columns.findings != "", columns.ended_us >= since_us)
    return score_causes(_visit(row) for row in connection.execute(query))


def _locked(connection: Connection, number: int) -> Visit:
    lock_desk(connection)
    visit = load_visit(connection, number)
    if visit is None:
        raise VisitError(f"there is no visit {number}")
    return visit


def _texts(**given: str) -> None:
    """Refuse texts that are too long, or hold what no page can show."""
    for name, text in given.items():
        most = LONGEST_CREW if name == "crew" else LONGEST_TEXT
        if len(text.strip()) > most:
            raise VisitError(f"{name}: got {len(text.strip())} characters, wanted {most} at most")
        if not can_be_kept(text, one_line=name == "crew"):
            raise VisitError(f"{name}: it has characters that cannot be shown; leave them out")
