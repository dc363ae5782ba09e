"""Databases of a test's own on a PostgreSQL server."""

from __future__ import annotations

import time

import psycopg


def new_database(port: int) -> str:
    """The address of an empty database of the server at a port."""
    name = f"test_{time.monotonic_ns()}"
    with psycopg.connect(
        f"host=127.0.0.1 port={port} user=watch dbname=postgres", autocommit=True
    ) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return f"postgresql+psycopg://watch@127.0.0.1:{port}/{name}"
