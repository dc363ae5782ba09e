"""A person's word on the new baselines after a visit, kept with the visit and its story."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import Connection

from standingwatch.alarms.words import number
from standingwatch.review.new_baseline import BaselineWord
from standingwatch.review.visits import Acceptance, Visit, VisitError
from standingwatch.rf import swr_from_rho
from standingwatch.store.desk_mark import lock_desk
from standingwatch.store.visit_lines import Lines, baselines_of
from standingwatch.store.visits import keep_visit, load_visit, load_visits


def accept_baseline(
    connection: Connection,
    number_of_visit: int,
    lines: Lines,
    transmitter: str,
    version: int,
    *,
    by: str,
    now_us: int,
) -> Visit:
    """Accept the new baseline of a transmitter that a visit worked at.

    Args:
        connection: a writing transaction.
        number_of_visit: which visit.
        lines: the transmitters of its site.
        transmitter: which of them.
        version: the version that was looked at: another one is not accepted unseen.
        by: who accepts it.
        now_us: now [Unix microseconds].

    Raises:
        VisitError: if there is no such visit or baseline, or another version holds by now.
    """
    lock_desk(connection)
    visit = load_visit(connection, number_of_visit)
    if visit is None:
        raise VisitError(f"there is no visit {number_of_visit}")
    if transmitter not in visit.touched or transmitter not in lines:
        known = ", ".join(name for name in visit.touched if name in lines) or "none"
        raise VisitError(f"baseline: got transmitter “{transmitter}”, the visit worked at: {known}")
    found = baselines_of(connection, lines[transmitter][0], visit)
    new = found.new(transmitter, visit)
    if new.now is None or new.now.rho is None or new.now.spread is None:
        raise VisitError(f"baseline of {transmitter}: the new one is not learned yet")
    if new.word is BaselineWord.NOT_OPENED:
        raise VisitError(f"baseline of {transmitter}: the work has not opened a new one yet")
    if new.now.version != version:
        raise VisitError(
            f"baseline of {transmitter}: got version {version}, version {new.now.version} holds by now; "
            "look at that one"
        )
    if new.word is BaselineWord.ACCEPTED:
        raise VisitError(f"baseline of {transmitter}: it has been accepted already")
    accepted = Acceptance(transmitter, version, new.now.rho, new.now.spread, by, now_us)
    before = found.before
    was = "none" if before is None or before.rho is None else f"SWR {_swr(before.rho)}"
    text = (
        f"new baseline of {transmitter} accepted: version {version}, {new.now.kind}, "
        f"SWR {_swr(accepted.rho)} (before the work: {was})"
    )
    after = replace(visit, accepted=(*visit.accepted, accepted))
    return keep_visit(connection, after, by=by, text=text, now_us=now_us)


def _swr(rho: float) -> str:
    return f"{number(float(swr_from_rho(rho)))}:1"


def accepted_baselines(connection: Connection, site: str, transmitter: str) -> dict[int, Acceptance]:
    """The versions of a transmitter's baselines that people have accepted, by version."""
    return {
        one.version: one
        for visit in load_visits(connection, site=site)
        for one in visit.accepted
        if one.transmitter == transmitter
    }
