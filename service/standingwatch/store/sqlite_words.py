"""Statements for SQLite's own driver, where a file is asked without an engine: SQLAlchemy quotes names."""

from __future__ import annotations

from sqlalchemy.dialects import sqlite
from sqlalchemy.sql import ClauseElement

_DIALECT = sqlite.dialect()


def sqlite_text(statement: ClauseElement) -> str:
    """A statement as SQLite reads it, its values written out."""
    return str(statement.compile(dialect=_DIALECT, compile_kwargs={"literal_binds": True}))


def quoted(name: str) -> str:
    """A name as SQLite reads it, for what SQLAlchemy has no words for."""
    return _DIALECT.identifier_preparer.quote_identifier(name)
