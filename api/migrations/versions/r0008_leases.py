"""Leases on answers being made, and an index for counting corrections."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table and the index."""
    op.create_table(
        "leases",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("holder", sa.String(64), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
    )
    op.create_index("ix_corrections_entry_id", "corrections", ["entry_id"])


def downgrade() -> None:
    """Drop them."""
    op.drop_index("ix_corrections_entry_id", "corrections")
    op.drop_table("leases")
