"""Corrections of entries: what was recorded stays, what holds now stands beside it."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "corrections",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("entry_id", _ID, sa.ForeignKey("entries.id"), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.String(500), nullable=False),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
    )


def downgrade() -> None:
    """Drop the table."""
    op.drop_table("corrections")
