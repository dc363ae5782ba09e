"""Users and their sessions, kept: of passwords and of the secrets of sessions only their hashes."""

from __future__ import annotations

import hashlib
import secrets
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, delete, insert, select, text, update

from standingwatch.alarms.handling import LONGEST_NAME, can_be_kept
from standingwatch.store import tables

#: Key of the lock under which users change on PostgreSQL; SQLite has one writer at a time anyway.
USERS_LOCK = 7_201_920

#: What a name may not begin with: acts of programs are told as those of "token NAME".
PROGRAM_PREFIX = "token "

#: Nor what it may be: by these it is told what a file brought, who acted while nobody had to sign in, and
#: what the service did by itself or was told to on its own machine.
_TAKEN_NAMES = ("file", "anybody", "the service", "command line")

_MINUTE_US = 60_000_000


class AccessError(Exception):
    """Users or tokens cannot be changed like that; the text says why and what to do."""


class Role(StrEnum):
    """What somebody may do; each role may do all that those before it may."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    ENGINEER = "engineer"
    ADMINISTRATOR = "administrator"

    def covers(self, other: Role) -> bool:
        """Whether this role may do what the other may."""
        order = list(Role)
        return order.index(self) >= order.index(other)


@dataclass(frozen=True)
class User:
    """Somebody who may sign in.

    Attributes:
        name: what acts are told by.
        role: what they may do.
        password_hash: argon2id hash in its own encoding; "" for one who cannot sign in.
        made_us: when they were added [Unix microseconds].
        disabled_us: when they were disabled [Unix microseconds]; None for one who is not.
    """

    name: str
    role: Role
    password_hash: str
    made_us: int
    disabled_us: int | None = None


@dataclass(frozen=True)
class Session:
    """A browser that somebody has signed in with.

    Attributes:
        key_hash: SHA-256 of its secret.
        user: name of the user.
        begun_us, seen_us, ends_us: when it began, was last used (to the minute), and ends at the latest
            [Unix microseconds].
    """

    key_hash: str
    user: str
    begun_us: int
    seen_us: int
    ends_us: int


def hash_of(secret: str) -> str:
    """The SHA-256 of a random secret, as the store keeps it.

    A plain hash is enough for 256 random bits; what people choose is hashed by `store/passwords.py`.
    """
    return hashlib.sha256(secret.encode()).hexdigest()


# Users --------------------------------------------------------------------------------------------------


def clean_name(name: str) -> str:
    """A name as it is kept and compared: one form of Unicode (NFC), no blanks around it."""
    return unicodedata.normalize("NFC", name).strip()


def load_users(connection: Connection) -> list[User]:
    """Every user, by name."""
    query = select(tables.users).order_by(tables.users.c.name)
    return [_user(row) for row in connection.execute(query)]


def load_user(connection: Connection, name: str) -> User | None:
    """One user; None where there is none of that name."""
    if not can_be_kept(name, one_line=True):
        return None
    query = select(tables.users).where(tables.users.c.name == clean_name(name))
    row = connection.execute(query).one_or_none()
    return None if row is None else _user(row)


def has_users(connection: Connection) -> bool:
    """Whether there is any user."""
    return connection.execute(select(tables.users.c.name).limit(1)).one_or_none() is not None


def add_user(connection: Connection, name: str, role: Role, password_hash: str, now_us: int) -> str:
    """Add a user; returns the name as it is kept.

    Raises:
        AccessError: if the name cannot be one, or somebody has it already in capitals or small letters.
    """
    kept = clean_name(name)
    if not kept or len(kept) > LONGEST_NAME or not can_be_kept(kept, one_line=True):
        raise AccessError(f"user: got the name “{kept[:LONGEST_NAME]}”, wanted 1 to {LONGEST_NAME} letters")
    if kept.casefold().startswith(PROGRAM_PREFIX):
        raise AccessError(f"user: got the name “{kept}”, wanted one that does not begin “token ”")
    if kept.casefold() in _TAKEN_NAMES:
        raise AccessError(f"user: the name “{kept}” has a meaning of its own; choose another one")
    _lock_users(connection)
    taken = {user.name.casefold(): user.name for user in load_users(connection)}
    if kept.casefold() in taken:
        raise AccessError(f"user: there is a user “{taken[kept.casefold()]}” already; choose another name")
    values = {"name": kept, "role": role.value, "password_hash": password_hash, "made_us": now_us}
    connection.execute(insert(tables.users).values(values))
    return kept


def set_role(connection: Connection, name: str, role: Role, now_us: int) -> None:
    """Give a user another role; all sessions of theirs end, and tokens that they made and that may do more.

    Raises:
        AccessError: if there is no such user, or nobody would be left to see to users.
    """
    user = _changing(connection, name)
    if user.role is role:
        raise AccessError(f"user: {user.name} is {role} already")
    if role is not Role.ADMINISTRATOR:
        _leave_an_administrator(connection, user)
    _set(connection, user, role=role.value)
    end_sessions(connection, user.name)
    _revoke_tokens_of(connection, user.name, [one for one in Role if not role.covers(one)], now_us)


def disable_user(connection: Connection, name: str, now_us: int) -> None:
    """Keep a user from signing in; all sessions of theirs end, and the tokens that they made.

    Raises:
        AccessError: if there is no such user who is enabled, or nobody would be left to see to users.
    """
    user = _changing(connection, name)
    if user.disabled_us is not None:
        raise AccessError(f"user: {user.name} is disabled already")
    _leave_an_administrator(connection, user)
    _set(connection, user, disabled_us=now_us)
    end_sessions(connection, user.name)
    _revoke_tokens_of(connection, user.name, list(Role), now_us)


def enable_user(connection: Connection, name: str) -> None:
    """Let a user sign in again.

    Raises:
        AccessError: if there is no such user who is disabled.
    """
    user = _changing(connection, name)
    if user.disabled_us is None:
        raise AccessError(f"user: {user.name} is not disabled")
    _set(connection, user, disabled_us=None)


def set_password(connection: Connection, name: str, password_hash: str) -> None:
    """Give a user another password; all sessions of theirs end.

    Raises:
        AccessError: if there is no such user.
    """
    user = _changing(connection, name)
    _set(connection, user, password_hash=password_hash)
    end_sessions(connection, user.name)


def renew_hash(connection: Connection, user: User, password_hash: str) -> None:
    """Keep the same password by another hash; sessions stay."""
    _set(connection, user, password_hash=password_hash)


def _user(row: Any) -> User:
    return User(row.name, Role(row.role), row.password_hash, row.made_us, row.disabled_us)


def _lock_users(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": USERS_LOCK})


def _changing(connection: Connection, name: str) -> User:
    """The user that is about to be changed; nobody else changes users until this transaction ends."""
    _lock_users(connection)
    user = load_user(connection, name)
    if user is None:
        raise AccessError(f"user: there is no user “{clean_name(name)[:LONGEST_NAME]}”")
    return user


def _set(connection: Connection, user: User, **values: Any) -> None:
    connection.execute(update(tables.users).where(tables.users.c.name == user.name).values(values))


def _leave_an_administrator(connection: Connection, user: User) -> None:
    others = [
        other
        for other in load_users(connection)
        if other.role is Role.ADMINISTRATOR and other.disabled_us is None and other.name != user.name
    ]
    if user.role is Role.ADMINISTRATOR and user.disabled_us is None and not others:
        raise AccessError(f"user: {user.name} is the only administrator; make another one first")


def _revoke_tokens_of(connection: Connection, name: str, roles: Sequence[Role], now_us: int) -> None:
    """Revoke tokens that a user has made for some roles; those that are revoked already stay as they are."""
    c = tables.tokens.c
    its = (c.made_by == name) & c.revoked_us.is_(None) & c.role.in_([role.value for role in roles])
    connection.execute(update(tables.tokens).where(its).values(revoked_us=now_us))


# Sessions -----------------------------------------------------------------------------------------------


def begin_session(connection: Connection, user: str, now_us: int, ends_us: int) -> str:
    """Begin a session; returns its secret, 256 random bits that nothing else keeps; deletes ended ones."""
    c = tables.sessions.c
    connection.execute(delete(tables.sessions).where(c.ends_us <= now_us))
    secret = secrets.token_urlsafe(32)
    row = {"key_hash": hash_of(secret), "user": user, "begun_us": now_us, "seen_us": now_us}
    connection.execute(insert(tables.sessions).values({**row, "ends_us": ends_us}))
    return secret


def find_session(
    connection: Connection, key_hash: str, now_us: int, idle_us: int
) -> tuple[Session, User] | None:
    """A session that holds, with its user who may sign in; None for any other.

    Args:
        connection: a transaction.
        key_hash: SHA-256 of the secret that a browser gave.
        now_us: now [Unix microseconds].
        idle_us: a session that was not used for so long has ended [us].
    """
    users, its = tables.users, tables.sessions
    query = (
        select(its, users)
        .join(users, users.c.name == its.c.user)
        .where(its.c.key_hash == key_hash, its.c.ends_us > now_us, its.c.seen_us > now_us - idle_us)
        .where(users.c.disabled_us.is_(None))
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else (_session(row), _user(row))


def is_news(seen_us: int | None, now_us: int) -> bool:
    """Whether a use is worth noting: at most one a minute is, so that reading pages does not write much."""
    return seen_us is None or now_us - seen_us >= _MINUTE_US


def note_seen(connection: Connection, key_hash: str, now_us: int) -> None:
    """Note that a session was used."""
    its = tables.sessions.c.key_hash == key_hash
    connection.execute(update(tables.sessions).where(its).values(seen_us=now_us))


def sessions_of(connection: Connection, user: str, now_us: int, idle_us: int) -> list[Session]:
    """The sessions of a user that hold, the newest first."""
    c = tables.sessions.c
    holds = (c.user == user) & (c.ends_us > now_us) & (c.seen_us > now_us - idle_us)
    query = select(tables.sessions).where(holds).order_by(c.begun_us.desc(), c.key_hash)
    return [_session(row) for row in connection.execute(query)]


def end_session(connection: Connection, key_hash: str, user: str | None = None) -> bool:
    """End a session; whether there was one, of the user where one is named."""
    c = tables.sessions.c
    its = c.key_hash == key_hash if user is None else (c.key_hash == key_hash) & (c.user == user)
    return connection.execute(delete(tables.sessions).where(its)).rowcount > 0


def end_sessions(connection: Connection, user: str, but: str = "") -> int:
    """End all sessions of a user but the one with a given hash; returns how many."""
    c = tables.sessions.c
    return connection.execute(delete(tables.sessions).where(c.user == user, c.key_hash != but)).rowcount


def _session(row: Any) -> Session:
    return Session(row.key_hash, row.user, row.begun_us, row.seen_us, row.ends_us)
