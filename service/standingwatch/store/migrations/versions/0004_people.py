"""People and programs that may act, sessions, audit; reviews and visits"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

Counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Bring the layout up; nothing that is kept changes."""
    op.create_table(
        "users",
        sa.Column("name", sa.Text(), primary_key=True, nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("disabled_us", sa.BigInteger()),
    )
    op.create_table(
        "sessions",
        sa.Column("key_hash", sa.Text(), primary_key=True, nullable=False),
        sa.Column("user", sa.Text(), nullable=False),
        sa.Column("begun_us", sa.BigInteger(), nullable=False),
        sa.Column("seen_us", sa.BigInteger(), nullable=False),
        sa.Column("ends_us", sa.BigInteger(), nullable=False),
    )
    op.create_index("sessions_by_user", "sessions", ["user"])
    op.create_table(
        "tokens",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("key_hash", sa.Text(), nullable=False, unique=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("ends_us", sa.BigInteger(), nullable=False),
        sa.Column("used_us", sa.BigInteger()),
        sa.Column("revoked_us", sa.BigInteger()),
    )
    op.create_table(
        "sign_ins",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("succeeded", sa.Boolean(), nullable=False),
    )
    op.create_index("sign_ins_by_time", "sign_ins", ["time_us"])
    op.create_table(
        "audit",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("act", sa.Text(), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
    )
    op.create_index("audit_by_time", "audit", ["time_us"])
    op.create_table(
        "reviews",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("region", sa.Text(), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("since_us", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.UniqueConstraint("region", "day", name="one_review_a_day"),
    )
    op.create_table(
        "visits",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("urgency", sa.Text(), nullable=False),
        sa.Column("proposed_us", sa.BigInteger(), nullable=False),
        sa.Column("changed_us", sa.BigInteger(), nullable=False),
        sa.Column("planned_for_us", sa.BigInteger()),
        sa.Column("crew", sa.Text(), nullable=False, server_default=""),
        sa.Column("begun_us", sa.BigInteger()),
        sa.Column("ended_us", sa.BigInteger()),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False, server_default=""),
        sa.Column("proof", sa.Text(), nullable=False, server_default=""),
    )
    op.create_index("visits_by_site", "visits", ["site"])
    op.create_index("visits_by_state", "visits", ["state", "changed_us"])
    op.create_table(
        "visit_changes",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("visit", sa.BigInteger(), nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
    )
    op.create_index("visit_changes_by_visit", "visit_changes", ["visit", "id"])
    op.create_table(
        "looks",
        sa.Column("user", sa.Text(), primary_key=True, nullable=False),
        sa.Column("time_us", sa.BigInteger(), nullable=False),
    )
