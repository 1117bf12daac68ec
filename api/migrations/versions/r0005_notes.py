"""Notes left at an installation."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "notes",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=False),
        sa.Column("written_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("author", sa.String(100), nullable=False),
        sa.Column("text", sa.String(2000), nullable=False),
    )


def downgrade() -> None:
    """Drop the table."""
    op.drop_table("notes")
