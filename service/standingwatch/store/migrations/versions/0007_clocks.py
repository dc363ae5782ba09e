"""Clocks of sites, what readings' times were corrected by, and days that old reports came for"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the layout up; readings that are kept already were not corrected."""
    op.create_table(
        "site_clocks",
        sa.Column("site", sa.Text(), primary_key=True, nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("remarkable", sa.Boolean(), nullable=False),
    )
    op.create_table(
        "clock_corrections",
        sa.Column("site", sa.Text(), primary_key=True, nullable=False),
        sa.Column("since_us", sa.BigInteger(), primary_key=True, nullable=False, autoincrement=False),
        sa.Column("off_us", sa.BigInteger(), nullable=False),
    )
    op.create_table(
        "late_days",
        sa.Column("transmitter", sa.BigInteger(), primary_key=True, nullable=False, autoincrement=False),
        sa.Column("day_us", sa.BigInteger(), primary_key=True, nullable=False, autoincrement=False),
        sa.Column("seen_us", sa.BigInteger(), nullable=False),
    )
    op.add_column("readings", sa.Column("clock_offset_us", sa.BigInteger()))
