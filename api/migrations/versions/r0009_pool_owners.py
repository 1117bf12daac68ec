"""A pool token for every person; versions with an owner left out; what other services have of the pool."""

import hashlib
import secrets

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the column and the tables; what was contributed becomes its person's."""
    op.add_column("people", sa.Column("pool_token", sa.String(32), nullable=True))
    op.create_table(
        "pool_left_out",
        sa.Column("version", sa.Integer(), sa.ForeignKey("pool_versions.version"), primary_key=True),
        sa.Column("without", sa.String(64), primary_key=True),
        sa.Column("document", sa.JSON(), nullable=False),
    )
    op.create_table(
        "pool_elsewhere",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("members", sa.JSON(), nullable=False),
    )
    _one_owner_a_person()


def _one_owner_a_person() -> None:
    people = sa.table("people", sa.column("id"), sa.column("erased_at"), sa.column("pool_token"))
    installations = sa.table("installations", sa.column("id"), sa.column("owner_id"))
    contributions = sa.table("pool_contributions", sa.column("installation_id"), sa.column("owner"))
    priors = sa.table("engine_priors", sa.column("installation_id"), sa.column("owner"))
    connection = op.get_bind()
    for (number,) in connection.execute(sa.select(people.c.id).where(people.c.erased_at.is_(None))).all():
        token = secrets.token_hex(16)
        connection.execute(sa.update(people).where(people.c.id == number).values(pool_token=token))
        theirs = sa.select(installations.c.id).where(installations.c.owner_id == number)
        hashed = hashlib.sha256(token.encode()).hexdigest()
        for table, owner in ((contributions, hashed), (priors, token)):
            connection.execute(sa.update(table).where(table.c.installation_id.in_(theirs)).values(owner=owner))


def downgrade() -> None:
    """Drop them."""
    op.drop_table("pool_elsewhere")
    op.drop_table("pool_left_out")
    op.drop_column("people", "pool_token")
