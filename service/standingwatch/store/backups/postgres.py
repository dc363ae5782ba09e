"""PostgreSQL in and out of a backup, through its own tools: pg_dump, pg_restore and psql."""

from __future__ import annotations

import threading
import zipfile
from collections.abc import Sequence
from pathlib import Path

from sqlalchemy import Connection, func, select, table, text

from standingwatch.store import tables
from standingwatch.store.backups.file import BackupError, Manifest, Progress, Written, pump, take_out
from standingwatch.store.backups.tool import Tool
from standingwatch.store.connect import APPLICATION_NAME, MIGRATION_LOCK, Store
from standingwatch.store.partitions import hold_still, partitions

MEMBER = "store.pgdump"

#: All tables that are ours in any layout. A migration that drops a table leaves its name here.
OURS = frozenset({*tables.metadata.tables, "alembic_version"})


def tables_there(connection: Connection) -> list[str]:
    """Which of our tables there are; what else is in the database is nobody's business here."""
    query = text("SELECT tablename FROM pg_tables WHERE schemaname = current_schema() ORDER BY tablename")
    return [name for name in connection.execute(query).scalars() if name in OURS]


def schema_of(connection: Connection) -> str:
    """PostgreSQL's schema that our tables are in."""
    return str(connection.execute(text("SELECT current_schema()")).scalar_one())


def rows_of(connection: Connection, names: Sequence[str]) -> dict[str, int]:
    """How many rows tables have."""
    return {
        name: int(connection.execute(select(func.count()).select_from(table(name))).scalar_one())
        for name in names
    }


def others_at_work(connection: Connection) -> int:
    """How many other connections there are that may be the service's or one of our commands'."""
    query = text(
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND "
        "pid <> pg_backend_pid() AND backend_type = 'client backend' AND "
        "(usename = current_user OR application_name = :name)"
    )
    return int(connection.execute(query, {"name": APPLICATION_NAME}).scalar_one())


def dump(
    store: Store, connection: Connection, names: Sequence[str], archive: zipfile.ZipFile, progress: Progress
) -> Written:
    """Let pg_dump put our tables into a backup, as this transaction sees them.

    Args:
        store: what to take.
        connection: a transaction with one view throughout; pg_dump shares it, so that what is counted
            by it is what is dumped.
        names: the tables.
        archive: where to.
        progress: told how many bytes were written.

    Raises:
        BackupError: with pg_dump's own words, if it fails.
    """
    # A partition that is dropped between its name and pg_dump would end the backup.
    hold_still(connection)
    snapshot = str(connection.execute(text("SELECT pg_export_snapshot()")).scalar_one())
    schema = schema_of(connection)
    # Partitions hold the rows of `readings`: pg_dump takes those of what it is told by name, and no others.
    names = [*names, *(one.name for one in partitions(connection))]
    words = ["--format=custom", "--no-owner", "--no-acl", "--no-password", f"--snapshot={snapshot}"]
    words += [f'--table="{schema}"."{name}"' for name in names]
    # pg_dump makes it smaller by itself: the zip holds it as it is.
    with Tool("pg_dump", [*words, f"--dbname={_address(store)}"], _secrets(store)) as tool:
        tool.close_input()
        with archive.open(MEMBER, "w", force_zip64=True) as member:
            written = pump(tool.read, member.write, progress)
        tool.end()
    return written


def load(
    store: Store,
    file: Path,
    archive: zipfile.ZipFile,
    manifest: Manifest,
    progress: Progress,
) -> None:
    """Put the tables of a backup in place of those that there are, all of them or none.

    pg_restore makes SQL of the backup, and psql has it done in one transaction, which first takes the lock
    of the migrations and drops what is ours. What depends on our tables and is not ours stops it. The
    transaction begins and ends by words of ours: psql's own (`--single-transaction`) would commit at the end
    of its input, which is also what it sees when we are killed.

    Raises:
        BackupError: with the tools' own words; then nothing has changed.
    """
    ours = ", ".join(f'"{name}"' for name in sorted(OURS))
    first = f"BEGIN; SELECT pg_advisory_xact_lock({MIGRATION_LOCK}); DROP TABLE IF EXISTS {ours};"
    words = ["--no-psqlrc", "--quiet", "--no-password", "--set=ON_ERROR_STOP=1"]
    words += ["--output=/dev/null", f"--command={first}", "--file=-", f"--dbname={_address(store)}"]
    unpack = ["--file=-", "--no-owner", "--no-acl", "--exit-on-error"]
    trouble: list[BackupError | OSError] = []
    with Tool("psql", words, _secrets(store)) as psql, Tool("pg_restore", unpack) as unpacker:

        def feed() -> None:
            try:
                take_out(file, archive, manifest, unpacker.write, progress)
            except (BackupError, OSError) as error:
                # Where pg_restore ended before its time, its own words tell why; else it has to end now.
                trouble.append(error)
                unpacker.kill()
            finally:
                unpacker.close_input()

        feeder = threading.Thread(target=feed, name="restore")
        feeder.start()
        try:
            pump(unpacker.read, psql.write, lambda _bytes: None)
            feeder.join()
            unpacker.end(trouble[0] if trouble else None)
            # Only now: all that was to come has come.
            psql.write(b"COMMIT;\n")
        except BrokenPipeError:
            unpacker.kill()
            feeder.join()
            psql.end()
            raise
        psql.close_input()
        psql.end()


def _address(store: Store) -> str:
    """What the tools connect to, without its password: others may see the words of a command."""
    from psycopg.conninfo import make_conninfo

    given = {name: value for name, value in _parameters(store).items() if name != "password"}
    if "sslpassword" in given:
        raise BackupError(
            "store: sslpassword cannot be handed to PostgreSQL's tools unseen; use a key without a password "
            "that only the service's user may read"
        )
    given["application_name"] = "standingwatch-backup"
    return make_conninfo(**given)


def _secrets(store: Store) -> dict[str, str]:
    password = _parameters(store).get("password")
    return {} if password is None else {"PGPASSWORD": password}


def _parameters(store: Store) -> dict[str, str]:
    from psycopg.pq import Conninfo

    known = {option.keyword.decode() for option in Conninfo.get_defaults()}
    _, given = store.engine.dialect.create_connect_args(store.engine.url)
    return {name: str(value) for name, value in given.items() if name in known and value is not None}
