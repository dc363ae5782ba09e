"""The audit: every act that changes something, kept with who, from where, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, delete, insert, or_, select

from standingwatch.store import tables

#: What the service's own acts are told by; no user can have the name.
SERVICE = "the service"

#: Most characters that are kept of what an act was about, and of what came of it.
LONGEST_ABOUT = 2000


@dataclass(frozen=True)
class AuditLine:
    """One act.

    Attributes:
        number: its place in the audit.
        time_us: when [Unix microseconds].
        by: the user, "token NAME", the command line or the name it was given, or the service.
        role: what they might do then.
        address: where from; "" for the service itself and for the command line. Who gave a name there has the
            command line's own name for them here.
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


def forget_audit(connection: Connection, before_us: int, now_us: int) -> int:
    """Delete lines of the audit from before a time; how many. That it was done is a line of the audit itself.

    Args:
        connection: a writing transaction.
        before_us: lines of this time and after stay [Unix microseconds].
        now_us: now [Unix microseconds].
    """
    gone = int(connection.execute(delete(tables.audit).where(tables.audit.c.time_us < before_us)).rowcount)
    if gone:
        note_act(
            connection,
            now_us=now_us,
            by=SERVICE,
            role="",
            address="",
            act="delete old lines of the audit",
            about=f"those from before {datetime.fromtimestamp(before_us / 1e6, tz=UTC):%Y-%m-%d %H:%M} UTC",
            outcome=f"done: {gone} deleted",
        )
    return gone
