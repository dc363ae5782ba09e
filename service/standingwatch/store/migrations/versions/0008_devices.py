"""Messages that wait for the others of their report"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

Counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Bring the layout up; nothing that is kept changes."""
    op.create_table(
        "pending_parts",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
    )
    op.create_index("pending_parts_by_report", "pending_parts", ["about"])
