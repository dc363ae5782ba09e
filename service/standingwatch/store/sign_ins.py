"""Tries to sign in, kept: how many wrong ones there were lately decides whether the next has to wait.

A try is kept as a failed one before its password is looked at, so that many at once count as many. What was
typed as a name that nobody has is kept as a hash only: people type passwords there by mistake.
"""

from __future__ import annotations

import hashlib
import ipaddress
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, text, update

from standingwatch.store import tables
from standingwatch.store.access import clean_name

#: Key of the lock under which tries are counted on PostgreSQL; SQLite has one writer at a time anyway.
SIGN_IN_LOCK = 7_201_921

#: How long tries are kept [us]: addresses that somebody has signed in from are known for so long.
KEPT_US = 30 * 86_400_000_000

#: So many times the tries of a name from one address are those of an address, and of a name from anywhere.
#: People share addresses, and guessers have many (common practice, no source).
WIDER = 4


@dataclass(frozen=True)
class SignIn:
    """A try to sign in.

    Attributes:
        time_us: when [Unix microseconds].
        name: who; "" where nobody has the name that was given.
        address: where from.
        succeeded: whether they were let in.
        number: its place among the tries.
    """

    time_us: int
    name: str
    address: str
    succeeded: bool
    number: int = 0


def network_of(address: str) -> str:
    """What tries are counted by: an IPv4 address, of an IPv6 one the network (/64) that one machine has."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        if not parsed.is_loopback:
            return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)


def begin_try(
    connection: Connection,
    name: str,
    address: str,
    *,
    known: bool,
    now_us: int,
    tries: int,
    window_us: int,
) -> int | None:
    """Keep a try as a failed one, before its password is looked at; its number, None where it has to wait.

    Args:
        connection: a writing transaction.
        name: the name that was given.
        address: where the try comes from.
        known: whether somebody has the name.
        now_us: now [Unix microseconds].
        tries: wrong ones of a name from an address that are let through within the window.
        window_us: how long a wrong one counts [us].
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": SIGN_IN_LOCK})
    c = tables.sign_ins.c
    connection.execute(delete(tables.sign_ins).where(c.time_us <= now_us - KEPT_US))
    kept, network = _kept_name(name, known=known), network_of(address)
    failed = (c.time_us > now_us - window_us) & c.succeeded.is_(False)
    pair = (c.name == kept) & (c.address == network)
    last = connection.execute(select(func.max(c.time_us)).where(pair, c.succeeded.is_(True))).scalar_one()

    def count(which: Any) -> int:
        query = select(func.count()).select_from(tables.sign_ins).where(failed, which)
        return int(connection.execute(query).scalar_one())

    waits = count(pair & (c.time_us > (last or 0))) >= tries or count(c.address == network) >= WIDER * tries
    # Who has signed in from here before is not kept out by what others do elsewhere with the name.
    waits = waits or (last is None and count(c.name == kept) >= WIDER * tries)
    if waits:
        return None
    row = {"time_us": now_us, "name": kept, "address": network, "succeeded": False}
    number = connection.execute(insert(tables.sign_ins).values(row)).inserted_primary_key
    if number is None:
        raise RuntimeError("the database gave no number to the try to sign in that it has just kept")
    return int(number[0])


def note_success(connection: Connection, number: int) -> None:
    """Note that a try was let in."""
    connection.execute(update(tables.sign_ins).where(tables.sign_ins.c.id == number).values(succeeded=True))


def load_sign_ins(
    connection: Connection, limit: int, *, failed_only: bool = False, before: int | None = None
) -> list[SignIn]:
    """The newest tries, the newest first; only those before the one of a number, if one is given."""
    c = tables.sign_ins.c
    query = select(tables.sign_ins).order_by(c.id.desc()).limit(limit)
    if failed_only:
        query = query.where(c.succeeded.is_(False))
    if before is not None:
        query = query.where(c.id < before)
    return [
        SignIn(row.time_us, "" if row.name.startswith("?") else row.name, row.address, row.succeeded, row.id)
        for row in connection.execute(query)
    ]


def _kept_name(name: str, *, known: bool) -> str:
    kept = clean_name(name)
    return kept if known else "?" + hashlib.sha256(kept.encode()).hexdigest()[:32]
