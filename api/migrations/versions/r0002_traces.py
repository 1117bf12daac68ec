"""Traces of runs, as sent, and what was read from them."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "traces",
        sa.Column("entry_id", _ID, sa.ForeignKey("entries.id"), primary_key=True),
        sa.Column("sent", sa.JSON(), nullable=False),
        sa.Column("read", sa.JSON(), nullable=False),
    )


def downgrade() -> None:
    """Drop the table."""
    op.drop_table("traces")
