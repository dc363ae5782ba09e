"""Files of history that were imported, and how far each has come."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Table, Text, UniqueConstraint

from standingwatch.store.tables.base import Counter, metadata

#: One file each. Its readings carry the arrival -id, so that it is known what they came with.
imports = Table(
    "imports",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("file", Text, nullable=False),
    # BLAKE2b of the file's bytes, and of the column map that it is read with.
    Column("fingerprint", Text, nullable=False),
    Column("mapping", Text, nullable=False),
    Column("begun_us", BigInteger, nullable=False),
    Column("changed_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger),
    # Rows of the file that are dealt with: stored, repeated or refused.
    Column("rows", BigInteger, nullable=False),
    Column("stored", BigInteger, nullable=False),
    Column("repeated", BigInteger, nullable=False),
    # How many rows were refused by reason, as a JSON object.
    Column("refused", Text, nullable=False),
    Column("first_us", BigInteger),
    Column("last_us", BigInteger),
    # When the hours that its readings lie in were last made anew.
    Column("rolled_up_us", BigInteger),
    UniqueConstraint("fingerprint", "mapping", name="one_import_a_file"),
    sqlite_autoincrement=True,
)
