"""Tokens of programs, kept as hashes: each has a role, an end, and can be revoked."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select, update

from standingwatch.alarms.handling import LONGEST_NAME, can_be_kept
from standingwatch.store import tables
from standingwatch.store.access import PROGRAM_PREFIX, AccessError, Role, clean_name, hash_of

#: What every token begins with, so that one that lies about can be told for what it is.
MARK = "swt_"

#: Longest name of a token: "token NAME" is told as the one who acts.
LONGEST_TOKEN_NAME = LONGEST_NAME - len(PROGRAM_PREFIX)


@dataclass(frozen=True)
class Token:
    """A token without its secret.

    Attributes:
        number: what it is revoked by.
        name: what it is for.
        role: what its holder may do.
        made_by: the user who made it.
        made_us, ends_us: when it was made, and when it ends [Unix microseconds].
        used_us: when it was last used (to the minute) [Unix microseconds]; None for never.
        revoked_us: when it was revoked [Unix microseconds]; None while it was not.
    """

    number: int
    name: str
    role: Role
    made_by: str
    made_us: int
    ends_us: int
    used_us: int | None = None
    revoked_us: int | None = None

    def holds(self, now_us: int) -> bool:
        """Whether it can be used."""
        return self.revoked_us is None and now_us < self.ends_us


def add_token(
    connection: Connection, name: str, role: Role, *, made_by: str, now_us: int, ends_us: int, longest_us: int
) -> tuple[int, str]:
    """Make a token; returns its number and its secret, which nothing else keeps.

    Args:
        connection: a writing transaction.
        name: what it is for.
        role: what its holder may do.
        made_by: the user who makes it.
        now_us, ends_us: now, and when it ends [Unix microseconds].
        longest_us: the longest time that it may hold [us].

    Raises:
        AccessError: if the name or the time cannot be, or a token of that name holds.
    """
    kept = clean_name(name)
    if not kept or len(kept) > LONGEST_TOKEN_NAME or not can_be_kept(kept, one_line=True):
        shown = kept[:LONGEST_TOKEN_NAME]
        raise AccessError(f"token: got the name “{shown}”, wanted 1 to {LONGEST_TOKEN_NAME} letters")
    if not now_us < ends_us <= now_us + longest_us:
        days = longest_us / 86_400_000_000
        raise AccessError(f"token: wanted an end within {days:g} days (access.token_days_most)")
    if any(one.name == kept and one.holds(now_us) for one in load_tokens(connection)):
        raise AccessError(f"token: there is a token “{kept}” that holds; revoke it or choose another name")
    secret = MARK + secrets.token_urlsafe(32)
    row = {"key_hash": hash_of(secret), "name": kept, "role": role.value, "made_by": made_by}
    statement = insert(tables.tokens).values({**row, "made_us": now_us, "ends_us": ends_us})
    number = connection.execute(statement).inserted_primary_key
    assert number is not None  # noqa: S101  both databases give the key of a row that is put in
    return int(number[0]), secret


def load_tokens(connection: Connection) -> list[Token]:
    """Every token, the newest first."""
    query = select(tables.tokens).order_by(tables.tokens.c.id.desc())
    return [_token(row) for row in connection.execute(query)]


def find_token(connection: Connection, secret: str, now_us: int) -> Token | None:
    """The token of a secret; None for one that does not hold."""
    row = connection.execute(
        select(tables.tokens).where(tables.tokens.c.key_hash == hash_of(secret))
    ).one_or_none()
    if row is None or not _token(row).holds(now_us):
        return None
    return _token(row)


def note_used(connection: Connection, number: int, now_us: int) -> None:
    """Note that a token was used."""
    connection.execute(update(tables.tokens).where(tables.tokens.c.id == number).values(used_us=now_us))


def revoke_token(connection: Connection, number: int, now_us: int) -> Token:
    """Revoke a token; returns it as it was.

    Raises:
        AccessError: if there is none of that number that holds.
    """
    its = tables.tokens.c.id == number
    row = connection.execute(select(tables.tokens).where(its).with_for_update()).one_or_none()
    if row is None or not _token(row).holds(now_us):
        raise AccessError(f"token: there is no token {number} that holds")
    connection.execute(update(tables.tokens).where(its).values(revoked_us=now_us))
    return _token(row)


def _token(row: Any) -> Token:
    return Token(
        row.id, row.name, Role(row.role), row.made_by, row.made_us, row.ends_us, row.used_us, row.revoked_us
    )
