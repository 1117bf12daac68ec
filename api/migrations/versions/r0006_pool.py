"""The pool: contributions, versions, who stands behind them, the audit, and the prior an engine started from."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "pool_contributions",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=True),
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("contributed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.UniqueConstraint("digest", name="uq_pool_contributions_digest"),
    )
    op.create_table(
        "pool_versions",
        sa.Column("version", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("rho", sa.Float(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
    )
    op.create_table(
        "pool_members",
        sa.Column("version", sa.Integer(), sa.ForeignKey("pool_versions.version"), primary_key=True),
        sa.Column("contribution_id", _ID, sa.ForeignKey("pool_contributions.id"), primary_key=True),
    )
    op.create_table(
        "pool_audit",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("what", sa.String(20), nullable=False),
        sa.Column("digest", sa.String(64), nullable=True),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
    )
    op.create_table(
        "engine_priors",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("owner", sa.String(32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
    )


def downgrade() -> None:
    """Drop the tables."""
    for name in ("engine_priors", "pool_audit", "pool_members", "pool_versions", "pool_contributions"):
        op.drop_table(name)
