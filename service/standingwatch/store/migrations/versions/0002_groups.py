"""Alarms about regions and groups, forecasts, detectors' records by part of the watch, level of an hour"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

#: SQLite keeps no name of a primary key: it is called as PostgreSQL calls it by itself.
KEY_NAMES = {"pk": "%(table_name)s_pkey"}


def upgrade() -> None:
    """Bring the layout up; what is kept stays, as alarms that are about no region and no group."""
    with op.batch_alter_table("alarms", naming_convention=KEY_NAMES) as alarms:
        alarms.add_column(sa.Column("region", sa.Text(), nullable=False, server_default=""))
        alarms.add_column(sa.Column("members", sa.Text(), nullable=False, server_default="[]"))
        alarms.add_column(sa.Column("forecast", sa.Text(), nullable=False, server_default="[]"))
        alarms.drop_constraint("alarms_pkey", type_="primary")
        alarms.create_primary_key("alarms_pkey", ["site", "transmitter", "condition", "region"])

    with op.batch_alter_table("alarm_changes", naming_convention=KEY_NAMES) as changes:
        changes.add_column(sa.Column("region", sa.Text(), nullable=False, server_default=""))
        changes.drop_constraint("one_number_a_change", type_="unique")
        changes.create_unique_constraint(
            "one_number_a_change", ["site", "transmitter", "condition", "region", "number"]
        )

    op.add_column("outbox", sa.Column("region", sa.Text(), nullable=False, server_default=""))

    # Hours that were closed before have none.
    op.add_column("rollups", sa.Column("rho_level", sa.Double(), nullable=True))

    # The records that there are belong to the part that judges readings as they come.
    options = {"sqlite_with_rowid": False}
    with op.batch_alter_table("watch_state", naming_convention=KEY_NAMES, table_kwargs=options) as state:
        state.add_column(sa.Column("part", sa.Text(), nullable=False, server_default="quick"))
        state.drop_constraint("watch_state_pkey", type_="primary")
        state.create_primary_key("watch_state_pkey", ["part", "site", "transmitter"])
    with op.batch_alter_table("watch_state", naming_convention=KEY_NAMES, table_kwargs=options) as state:
        state.alter_column("part", server_default=None)
