"""Which process owns which part of the work, where several share a store on PostgreSQL.

A claim is a row with an owner and a time until which it holds, by the clock of the database. Its owner renews
it; when it has run out, or its owner has ended on the machine of whoever looks, another process takes it over
and counts its epoch on. Whatever an owner commits is fenced: the last statement of the transaction asks for
the claim under its epoch and locks the row until the commit, so that a take-over waits for that commit or
makes it fail. An owner that was held up and goes on late can therefore change nothing any more.

On SQLite one process works at a time, by a lock on a file that the system lets go of when the process ends.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
import uuid
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import BigInteger, Connection, case, cast, extract, func, or_, select, text, update
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.exc import OperationalError

from standingwatch.store import tables
from standingwatch.store.connect import Store, StoreError
from standingwatch.store.watchman import store_file

#: How long a claim holds after it was made or renewed [us]: longer than a pause of the machine or of the
#: network that nobody minds, and with the time of a look well within the minute that a take-over may take.
LEASE_US = 20_000_000

#: Longest time that a fenced transaction may wait for its own process [ms]: one that was stopped in its
#: middle would hold up its successor by its locks for ever.
IDLE_MS = 30_000

#: Begin of the names of claims that are processes.
PROCESS = "process/"


class ClaimLostError(OperationalError):
    """Another process owns this part of the work by now: what was to be committed is not.

    To those who write it is a trouble of the database that may pass: they try again until they are stopped.
    """

    def __init__(self, name: str) -> None:
        super().__init__(None, None, RuntimeError(f"another process has taken {name} over"))
        self.code = ""  # no reference to the manual of databases


@dataclass(frozen=True)
class Claimant:
    """A run of the program that may own parts of the work.

    Attributes:
        called: what people call it; "" for the only one.
        owner: its identity, which no other run has.
        place: machine, process and when it began; "" where that cannot be told.
    """

    called: str = ""
    owner: str = field(default_factory=lambda: uuid.uuid4().hex)
    place: str = field(default_factory=lambda: place_of(os.getpid()))


@dataclass(frozen=True)
class Claim:
    """A claim as it stands; `is_live` until it has run out, `detail` is what its owner says of itself."""

    name: str
    owner: str
    called: str
    place: str
    epoch: int
    is_live: bool
    left_s: float
    detail: Mapping[str, Any]

    @property
    def kind(self) -> str:
        """What it is about: "watch" of "watch/0"."""
        return self.name.partition("/")[0]


def _machine() -> str:
    """This machine since its last start, and the namespace that its numbers of processes are of."""
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    return f"{boot} {os.readlink('/proc/self/ns/pid')}"


def place_of(process: int) -> str:
    """Where a process of this machine is, so that others can see its end; "" where there is none."""
    try:
        # What follows the program's name, which may hold anything: its state, and as 22nd field of all when
        # it began (proc(5)).
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        return "" if fields[0] in "ZX" else f"{_machine()} {process} {fields[19]}"
    except OSError:
        return ""


def has_ended(place: str) -> bool:
    """Whether a process is known to have ended; false where that cannot be told from here."""
    try:
        machine, process = place.rsplit(" ", 2)[0], int(place.rsplit(" ", 2)[1])
        if machine != _machine():
            return False
    except (OSError, ValueError, IndexError):
        return False
    return place_of(process) != place


def this_host() -> str:
    """Name of this machine, for people."""
    return socket.gethostname()


# Making, keeping and leaving claims ---------------------------------------------------------------------

#: Now by the clock of the database [us].
_NOW = cast(extract("epoch", func.clock_timestamp()) * 1_000_000, BigInteger)


@contextmanager
def claiming(store: Store) -> Iterator[Connection]:
    """A transaction about claims: others wait for its locks, so that it ends when its process stops."""
    with store.writing() as connection:
        connection.execute(text(f"SET LOCAL idle_in_transaction_session_timeout = {IDLE_MS}"))
        yield connection


def take_claim(
    connection: Connection, name: str, me: Claimant, detail: Mapping[str, Any] | None = None
) -> int | None:
    """Own a part of the work from now on; its epoch, None while another process owns it.

    Args:
        connection: a writing transaction on PostgreSQL.
        name: of the part.
        me: who.
        detail: what is to be known of the owner.
    """
    kept = connection.execute(
        text("SELECT owner, place FROM claims WHERE name = :name"), {"name": name}
    ).one_or_none()
    gone = kept.owner if kept is not None and has_ended(kept.place) else ""
    claims = tables.claims.c
    mine = insert(tables.claims).values(
        name=name,
        owner=me.owner,
        called=me.called,
        place=me.place,
        epoch=1,
        until_us=_NOW + LEASE_US,
        detail=json.dumps(dict(detail or {})),
    )
    new = mine.excluded
    taken = mine.on_conflict_do_update(
        index_elements=[claims.name],
        set_={column: new[column] for column in ("owner", "called", "place", "until_us", "detail")}
        | {"epoch": claims.epoch + case((claims.owner == new.owner, 0), else_=1)},
        where=or_(claims.owner.in_([me.owner, gone]), claims.until_us <= _NOW),
    )
    epoch = connection.execute(taken.returning(claims.epoch)).scalar_one_or_none()
    return None if epoch is None else int(epoch)


def renew_claims(connection: Connection, me: Claimant, names: Collection[str]) -> set[str]:
    """Keep claims for another while; those of them that are still `me`'s."""
    if not names:
        return set()
    claims = tables.claims.c
    mine = (claims.owner == me.owner) & claims.name.in_(sorted(names))
    renewed = update(tables.claims).where(mine).values(until_us=_NOW + LEASE_US).returning(claims.name)
    return set(connection.execute(renewed).scalars())


def leave_claims(connection: Connection, me: Claimant, names: Collection[str]) -> None:
    """Let others take parts of the work at once."""
    claims = tables.claims.c
    mine = (claims.owner == me.owner) & claims.name.in_(sorted(names))
    # Without an owner, so that a renewal that is under way does not bring it back.
    connection.execute(update(tables.claims).where(mine).values(until_us=0, owner=""))


def all_claims(connection: Connection) -> list[Claim]:
    """Every claim by name, those that have run out too; on PostgreSQL."""
    claims = tables.claims.c
    left_us = (claims.until_us - _NOW).label("left_us")
    rows = connection.execute(select(tables.claims, left_us).order_by(claims.name))
    return [
        Claim(
            r.name,
            r.owner,
            r.called,
            r.place,
            int(r.epoch),
            r.left_us > 0 and not has_ended(r.place),
            max(0.0, r.left_us / 1e6),
            json.loads(r.detail),
        )
        for r in rows
    ]


def fence(connection: Connection, name: str, owner: str, epoch: int) -> None:
    """Make sure of a claim until this transaction has ended; its last statement.

    Raises:
        ClaimLostError: it is another process's.
    """
    held = connection.execute(
        text("SELECT 1 FROM claims WHERE name = :name AND owner = :owner AND epoch = :epoch FOR SHARE"),
        {"name": name, "owner": owner, "epoch": epoch},
    ).one_or_none()
    if held is None:
        raise ClaimLostError(name)


def fenced(store: Store, name: str, owner: str, epoch: int) -> Store:
    """The same store for the owner of a claim: what it writes is kept only while the claim is its own."""

    def begin(connection: Connection) -> None:
        # What was made of the store before another had the claim would clash with what is there by now.
        row = connection.execute(
            text(
                "SELECT set_config('idle_in_transaction_session_timeout', :idle, true), EXISTS "
                "(SELECT 1 FROM claims WHERE name = :name AND owner = :owner AND epoch = :epoch) AS held"
            ),
            {"idle": str(IDLE_MS), "name": name, "owner": owner, "epoch": epoch},
        ).one()
        if not row.held:
            raise ClaimLostError(name)

    return store.guarded(begin, lambda connection: fence(connection, name, owner, epoch))


# One at a time ------------------------------------------------------------------------------------------


class OneProcess:
    """The right to be the only daemon on a store in a file, until it is let go of or the process ends.

    Args:
        store: on SQLite.

    Raises:
        StoreError: another daemon has it.
    """

    def __init__(self, store: Store) -> None:
        file = store_file(store)
        self._held: int | None = None
        if file is None:
            return
        path = file.with_name(file.name + ".daemon")
        self._held = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(self._held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            who = os.pread(self._held, 200, 0).decode("utf-8", "replace").strip()
            os.close(self._held)
            raise StoreError(
                f"store {store.shown_url}: another daemon works on it ({who or 'it does not say which'}); "
                "stop that one, or give this one a store.url of its own. Several at a time need PostgreSQL"
            ) from error
        os.ftruncate(self._held, 0)
        os.pwrite(self._held, f"process {os.getpid()} on {this_host()}\n".encode(), 0)

    def let_go(self) -> None:
        """Let others have it."""
        if self._held is not None:
            os.close(self._held)
            self._held = None


def owners_of(claims: Sequence[Claim]) -> dict[str, list[str]]:
    """What each live process owns, by what it is called and where it runs."""
    result: dict[str, list[str]] = {}
    for claim in claims:
        if claim.name.startswith(PROCESS) and claim.is_live:
            result[claim.owner] = []
    for claim in claims:
        if not claim.name.startswith(PROCESS) and claim.is_live and claim.owner in result:
            result[claim.owner].append(claim.name)
    names = {
        c.owner: f"{c.called or 'daemon'} ({c.detail.get('host', '')}, process {c.detail.get('process', '')})"
        for c in claims
        if c.name.startswith(PROCESS)
    }
    return {names[owner]: owned for owner, owned in result.items()}
