"""Alarms about the service itself, delays, what people do with alarms, shelves, what each channel has told"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

#: SQLite keeps no name of a primary key: it is called as PostgreSQL calls it by itself.
KEY_NAMES = {"pk": "%(table_name)s_pkey"}

KEY = ["site", "transmitter", "condition", "region", "service"]

Counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _key(*, primary: bool) -> list[sa.Column[str]]:
    return [
        sa.Column(name, sa.Text(), primary_key=primary, nullable=False, server_default=default)
        for name, default in zip(KEY, (None, None, None, "", ""), strict=True)
    ]


def upgrade() -> None:
    """Bring the layout up; what is kept stays, as alarms that nobody has done anything with."""
    with op.batch_alter_table("alarms", naming_convention=KEY_NAMES) as alarms:
        alarms.add_column(sa.Column("service", sa.Text(), nullable=False, server_default=""))
        alarms.add_column(sa.Column("chatters", sa.Boolean(), nullable=False, server_default=sa.false()))
        alarms.drop_constraint("alarms_pkey", type_="primary")
        alarms.create_primary_key("alarms_pkey", KEY)

    with op.batch_alter_table("alarm_changes", naming_convention=KEY_NAMES) as changes:
        changes.add_column(sa.Column("service", sa.Text(), nullable=False, server_default=""))
        changes.drop_constraint("one_number_a_change", type_="unique")
        changes.create_unique_constraint("one_number_a_change", [*KEY, "number"])
        changes.create_index("alarm_changes_by_noted", ["noted_us"])

    with op.batch_alter_table("outbox") as outbox:
        outbox.add_column(sa.Column("service", sa.Text(), nullable=False, server_default=""))
        # What waits at the upgrade goes out as one alarm's messages: in order.
        outbox.add_column(sa.Column("condition", sa.Text(), nullable=False, server_default=""))
        outbox.add_column(sa.Column("dead_us", sa.BigInteger(), nullable=True))
        outbox.drop_index("outbox_waiting")
        outbox.create_index("outbox_waiting", ["channel", "delivered_us", "dead_us", "id"])
    with op.batch_alter_table("outbox") as outbox:
        outbox.alter_column("condition", server_default=None)

    op.add_column("maintenance", sa.Column("entered_by", sa.Text(), nullable=False, server_default="file"))
    op.add_column("maintenance", sa.Column("note", sa.Text(), nullable=False, server_default=""))

    op.create_table("alarm_delays", *_key(primary=True), sa.Column("record", sa.Text(), nullable=False))
    op.create_table(
        "handlings",
        *_key(primary=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("before_shelf", sa.Text(), nullable=False),
        sa.Column("assigned_to", sa.Text(), nullable=False),
    )
    op.create_table(
        "handling_changes",
        sa.Column("id", Counter, primary_key=True, autoincrement=True),
        *_key(primary=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("act", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
    )
    op.create_index("handling_changes_by_alarm", "handling_changes", KEY)
    op.create_table(
        "shelves",
        sa.Column("id", Counter, primary_key=True, autoincrement=True),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("region", sa.Text(), nullable=False),
        sa.Column("transmitter", sa.Text(), nullable=False),
        sa.Column("condition", sa.Text(), nullable=False),
        sa.Column("up_to_severity", sa.SmallInteger(), nullable=False),
        sa.Column("from_us", sa.BigInteger(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=False, server_default=""),
    )
    op.create_table(
        "told",
        sa.Column("channel", sa.Text(), primary_key=True, nullable=False),
        *_key(primary=True),
        sa.Column("severity", sa.SmallInteger(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("by_summary", sa.Boolean(), nullable=False),
    )
    op.create_table(
        "notes",
        sa.Column("name", sa.Text(), primary_key=True, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
    )
