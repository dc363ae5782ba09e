"""The audit: every act that changes something, kept with who, from where, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, insert, or_, select

from standingwatch.store import tables

#: Most characters that are kept of what an act was about, and of what came of it.
LONGEST_ABOUT = 2000


@dataclass(frozen=True)
class AuditLine:
    """One act.

    Attributes:
        number: its place in the audit.
        time_us: when [Unix microseconds].
        by: the user, "token NAME", or the command line.
        role: what they might do then.
        address: where from; "" for the command line.
        act: what was asked for.
        about: what it was about.
        outcome: what came of it; "done", or "refused" or "failed" with why.
    """

    number: int
    time_us: int
    by: str
    role: str
    address: str
    act: str
    about: str
    outcome: str


def note_act(
    connection: Connection,
    *,
    now_us: int,
    by: str,
    role: str,
    address: str,
    act: str,
    about: str,
    outcome: str,
) -> None:
    """Keep an act; see `AuditLine`."""
    row = {"time_us": now_us, "by": by, "role": role, "address": address, "act": act}
    more = {"about": about[:LONGEST_ABOUT], "outcome": outcome[:LONGEST_ABOUT]}
    connection.execute(insert(tables.audit).values({**row, **more}))


def load_audit(
    connection: Connection, limit: int, *, before: int | None = None, by: str = "", words: str = ""
) -> list[AuditLine]:
    """Acts, the newest first.

    Args:
        connection: a transaction.
        limit: so many at most.
        before: only those before this one, by its number.
        by: only those of this name.
        words: only those whose act, object or outcome has these words.
    """
    c = tables.audit.c
    query = select(tables.audit).order_by(c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(c.id < before)
    if by:
        query = query.where(c.by == by)
    if words:
        found = [column.icontains(words, autoescape=True) for column in (c.act, c.about, c.outcome)]
        query = query.where(or_(*found))
    return [
        AuditLine(r.id, r.time_us, r.by, r.role, r.address, r.act, r.about, r.outcome)
        for r in connection.execute(query)
    ]
