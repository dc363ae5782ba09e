"""Which process owns which part of the work; a mark of time on the outbox"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the layout up; nothing that is kept changes."""
    op.create_table(
        "claims",
        sa.Column("name", sa.Text(), primary_key=True, nullable=False),
        sa.Column("owner", sa.Text(), nullable=False),
        sa.Column("called", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
    )
    op.create_table(
        "watch_regions",
        sa.Column("region", sa.Text(), primary_key=True, nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
    )
    op.create_table(
        "watch_sites",
        sa.Column("site", sa.Text(), primary_key=True, nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
    )
    op.create_index("outbox_by_made", "outbox", ["made_us"])
