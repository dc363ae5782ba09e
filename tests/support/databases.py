"""Databases of a test's own: files of SQLite, or databases of a PostgreSQL server (`--store postgresql`)."""

from __future__ import annotations

import itertools
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

#: What a file of SQLite begins with (https://www.sqlite.org/fileformat.html, 1.3).
SQLITE_MAGIC = b"SQLite format 3\0"

#: A publisher keeps what waits in a file of SQLite, whatever the service's store is.
SPOOL = "reports.sqlite"

_counted = itertools.count()


@dataclass
class _Chosen:
    """Where the stores of this run of the tests are.

    Attributes:
        port: of the PostgreSQL server; None while stores are files of SQLite.
        of_files: the database that stands for a file, by the file's path.
        made: names of databases, in the order in which they were made.
    """

    port: int | None = None
    of_files: dict[Path, str] = field(default_factory=dict)
    made: list[str] = field(default_factory=list)


_chosen = _Chosen()


def use_server(port: int) -> None:
    """From now on `address_of` gives databases of the PostgreSQL server at a port."""
    _chosen.port = port


def on_postgresql() -> bool:
    """Whether the stores of this run are on PostgreSQL."""
    return _chosen.port is not None


def address_of(file: Path) -> str:
    """The address of a test's store: a file of SQLite, or the database that stands for it, empty at first."""
    if _chosen.port is None:
        return f"sqlite:///{file}"
    # Under its name the file itself would be there: what a test looks for in its folder stays the same.
    key = Path(os.path.abspath(file))
    if key not in _chosen.of_files:
        _chosen.of_files[key] = new_database(_chosen.port)
    return _chosen.of_files[key]


def url_in(folder: Path) -> str:
    """`store.url` for settings in a folder: of a file beside them, or of the database that stands for it."""
    return address_of(folder / "store.sqlite") if on_postgresql() else "sqlite:///store.sqlite"


def environment_of(folder: Path) -> dict[str, str]:
    """What commands in a folder need to find its store, where no settings name one."""
    settings = folder / "standingwatch.toml"
    if _chosen.port is None or (settings.is_file() and "[store]" in settings.read_text()):
        return {}
    return {"STANDINGWATCH_STORE__URL": address_of(folder / "standingwatch.sqlite")}


def new_database(port: int, template: str = "") -> str:
    """The address of a database of the server at a port: empty, or a copy of the one at an address."""
    name = f"test_{time.monotonic_ns()}_{next(_counted)}"
    copied = f" TEMPLATE {template.rpartition('/')[2]}" if template else ""
    _tell(port, f"CREATE DATABASE {name}{copied}")
    _chosen.made.append(name)
    return f"postgresql+psycopg://watch@127.0.0.1:{port}/{name}"


def address_of_copy(file: Path, copy: Path) -> str:
    """The address of a copy of a test's store, which nobody has open."""
    if _chosen.port is None:
        return f"sqlite:///{shutil.copyfile(file, copy)}"
    address = new_database(_chosen.port, address_of(file))
    _chosen.of_files[Path(os.path.abspath(copy))] = address
    return address


def count_made() -> int:
    """How many databases there are by now."""
    return len(_chosen.made)


def drop_since(count: int) -> None:
    """Drop those that were made since there were `count`."""
    gone = set(_chosen.made[count:])
    del _chosen.made[count:]
    for file, address in list(_chosen.of_files.items()):
        if address.rpartition("/")[2] in gone:
            del _chosen.of_files[file]
    if _chosen.port is not None:
        for name in gone:
            # Who has it open still is a process that was killed, or a store that nobody closed.
            _tell(_chosen.port, f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


def files_of_sqlite(folder: Path) -> list[Path]:
    """Files of SQLite under a folder that are no publisher's spool."""
    found = []
    for path in folder.rglob("*"):
        if path.is_file() and not path.is_symlink() and not path.name.startswith(SPOOL):
            with path.open("rb") as stream:
                if stream.read(len(SQLITE_MAGIC)) == SQLITE_MAGIC:
                    found.append(path)
    return found


@contextmanager
def held(address: str) -> Iterator[None]:
    """Nobody can write into a store meanwhile: another program has its lock, or that of all its tables."""
    if address.startswith("sqlite:///"):
        with closing(sqlite3.connect(address.removeprefix("sqlite:///"), isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            yield
            other.execute("ROLLBACK")
        return
    with psycopg.connect(address.replace("+psycopg", "")) as server:
        query = "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
        names = ", ".join(f'"{name}"' for (name,) in server.execute(query).fetchall())
        server.execute(f"LOCK TABLE {names} IN EXCLUSIVE MODE")
        yield
        server.rollback()


def _tell(port: int, words: str) -> None:
    with psycopg.connect(
        f"host=127.0.0.1 port={port} user=watch dbname=postgres", autocommit=True
    ) as connection:
        connection.execute(words)
