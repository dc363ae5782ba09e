"""The store: connections to SQLite or PostgreSQL, set up so that what is committed stays."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from copy import copy
from functools import cache
from importlib import resources
from typing import Any

import alembic.command
import alembic.config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError
from sqlalchemy.pool import QueuePool

from standingwatch.settings.secret_url import hide_password
from standingwatch.store import answers
from standingwatch.store.damage import damage_of, damage_sentence, tell_of_damage

#: Something that is done in every transaction that may write.
Guard = Callable[[Connection], None]


class StoreError(Exception):
    """The store cannot be used; the text says why and what to do."""


class Store:
    """A database that holds the service's data.

    Args:
        url: SQLAlchemy URL: `sqlite:///file.sqlite`, or `postgresql+psycopg://user@host/name`.
    """

    def __init__(self, url: str) -> None:
        try:
            parsed = make_url(url)
        except ArgumentError as error:
            raise StoreError(
                "store: the URL cannot be read, wanted sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME"
            ) from error
        backend = parsed.get_backend_name()
        if backend == "postgresql" and "+" not in parsed.drivername:
            parsed = parsed.set(drivername="postgresql+psycopg")
        if backend not in ("sqlite", "postgresql"):
            raise StoreError(f"store: got a {backend} URL, wanted sqlite or postgresql")
        self.is_sqlite = backend == "sqlite"
        #: The URL as it may be shown: without its password, which may stand among its options too.
        self.shown_url = hide_password(parsed.render_as_string(hide_password=True))
        self.engine: Engine = _sqlite_engine(parsed) if self.is_sqlite else _postgres_engine(parsed)
        self._before: Guard | None = None
        self._after: Guard | None = None
        if self.is_sqlite:
            tell_of_damage(self.engine, self.shown_url)

    def guarded(self, before: Guard, after: Guard) -> Store:
        """The same store, with something to do first and last in each transaction that may write."""
        other = copy(self)
        other._before, other._after = before, after
        return other

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that may write; on SQLite it is the only one of its kind at a time."""
        try:
            with self.engine.begin() as connection:
                if self._before is not None:
                    self._before(connection)
                yield connection
                if self._after is not None:
                    self._after(connection)
        except IntegrityError:
            if self._before is not None:
                # Held up in the middle, it clashes with what another has written: then that is what is told.
                with self.engine.begin() as connection:
                    self._before(connection)
            raise

    @contextmanager
    def noting(self) -> Iterator[Connection]:
        """A transaction for what may as well be left out: it waits `NOTE_WAIT_S` for others, and no longer.

        Raises:
            OperationalError: the database is locked for longer, away or full; `passing.is_passing` knows it.
        """
        options = {"wait_s": NOTE_WAIT_S} if self.is_sqlite else {}
        with self.engine.connect().execution_options(**options) as connection, connection.begin():
            if not self.is_sqlite:
                connection.execute(text(f"SET LOCAL lock_timeout = '{round(NOTE_WAIT_S * 1000)}ms'"))
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads, with one view of the data throughout."""
        options = {"isolation_level": "REPEATABLE READ"} if not self.is_sqlite else {"only_reads": True}
        with self.engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection

    def migrate(self) -> None:
        """Bring the tables to this version's layout; refuses a store written by a later version."""
        try:
            with self.engine.begin() as connection:
                if not self.is_sqlite:
                    # Several processes may start at once.
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATION_LOCK})
                config = _alembic_config()
                config.attributes["connection"] = connection
                self.layout(connection)
                alembic.command.upgrade(config, "head")
        except DBAPIError as error:
            raise self.unusable(error) from error

    def layout(self, connection: Connection) -> str | None:
        """The layout that its tables have, None where it has none yet; refuses that of a later version."""
        present = MigrationContext.configure(connection).get_current_revision()
        if present is not None:
            self.refuse_later(present)
        return present

    def refuse_later(self, layout: str) -> None:
        """Refuse a layout of a later version: what it means is not known, and writing by guess would harm."""
        if layout not in known_layouts():
            raise StoreError(
                f"store {self.shown_url}: its layout is {layout}, which this version does not know; "
                "run the version that wrote it, or a later one"
            )

    def unusable(self, error: DBAPIError) -> StoreError:
        """What to tell when the database cannot be opened."""
        if detail := damage_of(error):
            return StoreError(damage_sentence(self.shown_url, detail))
        look = (
            "check that the file's folder exists and may be written"
            if self.is_sqlite
            else "check host, port and database in store.url, that the server runs, and the credentials"
        )
        return StoreError(
            f"store {self.shown_url}: cannot be opened: {' '.join(str(error.orig).split())}; {look}"
        )

    def close(self) -> None:
        """Let go of all connections."""
        self.engine.dispose()


#: How long a writer waits on SQLite for others to end theirs, and for what is noted by the way [s].
WAIT_S, NOTE_WAIT_S = 30.0, 0.5

#: What our connections are called at a PostgreSQL server, where the URL does not say otherwise.
APPLICATION_NAME = "standingwatch"

#: Key of the lock under which the layout is brought up to date.
MIGRATION_LOCK = 7_201_911

#: Key of the lock under which arrivals are numbered, so that a lower number never commits after a higher one.
ARRIVAL_LOCK = 7_201_912


def lock_arrivals(connection: Connection) -> None:
    """Make this transaction the only one that numbers an arrival; SQLite has one writer at a time anyway."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ARRIVAL_LOCK})


@cache
def known_layouts() -> tuple[str, ...]:
    """All layouts that this version knows, oldest first; the last one is its own."""
    steps = ScriptDirectory.from_config(_alembic_config()).walk_revisions()
    return tuple(reversed([step.revision for step in steps]))


def _alembic_config() -> alembic.config.Config:
    config = alembic.config.Config()
    config.set_main_option("script_location", str(resources.files("standingwatch.store") / "migrations"))
    config.set_main_option("path_separator", "os")
    return config


def _postgres_engine(url: URL) -> Engine:
    # pool_pre_ping finds most links that have ended before something is asked through them.
    ours = {"fallback_application_name": APPLICATION_NAME, **answers.link_options(url.query)}
    engine = create_engine(url, pool_pre_ping=True, pool_size=10, connect_args=ours)

    @event.listens_for(engine, "do_connect")
    def connect(_dialect: object, _record: object, words: tuple[Any, ...], options: dict[str, Any]) -> Any:
        return answers.connect(words, options)

    return engine


def _sqlite_engine(url: URL) -> Engine:
    # The connection used last first: each keeps pages of its own in memory, which SQLite drops when another
    # connection has written. A store in memory has one connection and no such pool.
    dialect: Any = url.get_dialect()  # its type does not tell of pools
    has_pool = dialect.get_pool_class(url) is QueuePool
    engine = create_engine(
        url,
        connect_args={"timeout": WAIT_S, "check_same_thread": False},
        **({"pool_use_lifo": True} if has_pool else {}),
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: sqlite3.Connection, _record: object) -> None:
        # The driver's own transactions start late and would let two writers deadlock.
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode = WAL")
        # What is acknowledged to the broker must survive a loss of power.
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA cache_size = -65536")
        cursor.close()

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        if options.get("only_reads", False):
            connection.exec_driver_sql("BEGIN")
            return
        wait_s = options.get("wait_s", WAIT_S)
        if wait_s == WAIT_S:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            return
        connection.exec_driver_sql(f"PRAGMA busy_timeout = {round(wait_s * 1000)}")
        try:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        finally:
            # The connection goes back to the pool, for work that does wait.
            connection.exec_driver_sql(f"PRAGMA busy_timeout = {round(WAIT_S * 1000)}")

    return engine
