"""Earlier fits beside the answers; leases go."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table, drop the other."""
    op.drop_table("leases")
    op.create_table(
        "earlier_fits",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("key", sa.String(64), primary_key=True),
        sa.Column("content", sa.LargeBinary(), nullable=False),
    )


def downgrade() -> None:
    """Undo both."""
    op.drop_table("earlier_fits")
    op.create_table(
        "leases",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("holder", sa.String(64), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
    )
