"""Files of history that were imported"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

Counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Bring the layout up; nothing that is kept changes."""
    op.create_table(
        "imports",
        sa.Column("id", Counter, primary_key=True, nullable=False, autoincrement=True),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("mapping", sa.Text(), nullable=False),
        sa.Column("begun_us", sa.BigInteger(), nullable=False),
        sa.Column("changed_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger()),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("stored", sa.BigInteger(), nullable=False),
        sa.Column("repeated", sa.BigInteger(), nullable=False),
        sa.Column("refused", sa.Text(), nullable=False),
        sa.Column("first_us", sa.BigInteger()),
        sa.Column("last_us", sa.BigInteger()),
        sa.Column("rolled_up_us", sa.BigInteger()),
        sa.UniqueConstraint("fingerprint", "mapping", name="one_import_a_file"),
        sqlite_autoincrement=True,
    )
