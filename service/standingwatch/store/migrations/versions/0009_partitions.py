"""Readings on PostgreSQL in partitions of time

What is there becomes one partition up to the end of the day of the newest arrival, without being copied: its
rows are read once, to see that none is later (4.4 million took 1 to 2 s, and the time grows with them), and
the few that are later, from clocks that were ahead, are moved. A table that others inherit from is left as it
is: PostgreSQL cannot make a partition of it, and whoever did that had a reason.
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

DAY_US = 86_400_000_000


def upgrade() -> None:
    """Bring the layout up; nothing that is kept changes."""
    connection = op.get_bind()
    if connection.dialect.name != "postgresql":
        return
    inherited = "SELECT EXISTS (SELECT 1 FROM pg_inherits WHERE inhparent = to_regclass('readings'))"
    if connection.execute(sa.text(inherited)).scalar_one():
        return
    for words in (
        "ALTER TABLE readings RENAME TO readings_before",
        "ALTER INDEX readings_pkey RENAME TO readings_before_pkey",
        "ALTER INDEX readings_by_arrival RENAME TO readings_before_by_arrival",
        "CREATE TABLE readings (LIKE readings_before) PARTITION BY RANGE (time_us)",
        "ALTER TABLE readings ADD CONSTRAINT readings_pkey PRIMARY KEY (time_us, transmitter)",
        "CREATE INDEX readings_by_arrival ON readings (arrival)",
        "CREATE TABLE readings_default PARTITION OF readings DEFAULT",
    ):
        op.execute(words)
    newest_us = connection.execute(
        sa.text(
            "SELECT CASE WHEN EXISTS (SELECT 1 FROM readings_before) THEN coalesce("
            "(SELECT max(received_us) FROM arrivals), (SELECT max(time_us) FROM readings_before)) END"
        )
    ).scalar_one()
    if newest_us is None:
        op.execute("DROP TABLE readings_before")
        return
    end_us = (newest_us // DAY_US + 1) * DAY_US
    connection.execute(
        sa.text(
            "WITH later AS (DELETE FROM readings_before WHERE time_us >= :end_us RETURNING *) "
            "INSERT INTO readings_default SELECT * FROM later"
        ),
        {"end_us": end_us},
    )
    op.execute(
        f"ALTER TABLE readings ATTACH PARTITION readings_before FOR VALUES FROM (MINVALUE) TO ({end_us})"
    )
