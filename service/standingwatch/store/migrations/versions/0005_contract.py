"""Ended alarms in order of their end; who ended a window of work"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the layout up; nothing that is kept changes."""
    op.create_index("alarms_by_end", "alarms", ["is_cleared", "changed_us"])
    op.add_column("maintenance", sa.Column("ended_by", sa.Text(), nullable=False, server_default=""))
