"""Installations, their log, and the latest answer of each."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "installations",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
    )
    op.create_table(
        "entries",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(12), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.UniqueConstraint("installation_id", "sequence", name="uq_entries_sequence"),
    )
    op.create_table(
        "answers",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("seed", _ID, nullable=False),
        sa.Column("model_version", sa.String(20), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
    )


def downgrade() -> None:
    """Drop the tables."""
    for name in ("answers", "entries", "installations"):
        op.drop_table(name)
