"""The id a client made for an entry, so that one sent twice is recorded once."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; entries without an id stay as they are."""
    op.add_column("entries", sa.Column("client_id", sa.String(64), nullable=True))
    op.create_index("uq_entries_client_id", "entries", ["installation_id", "client_id"], unique=True)


def downgrade() -> None:
    """Drop the column."""
    op.drop_index("uq_entries_client_id", "entries")
    op.drop_column("entries", "client_id")
