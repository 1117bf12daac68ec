"""People, keys, sign-ins, trusts, who changed what; whose an installation is; ids of everything a client makes."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables; installations that are there belong to nobody yet."""
    op.create_table(
        "people",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("name", sa.String(100), nullable=True, unique=True),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("password", sa.String(200), nullable=True),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("erased_at", _TIME, nullable=True),
    )
    op.create_table(
        "keys",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), nullable=False, index=True),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
        sa.Column("label", sa.String(100), nullable=False),
        sa.Column("scope", sa.String(12), nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("last_used_at", _TIME, nullable=True),
        sa.Column("revoked_at", _TIME, nullable=True),
    )
    op.create_table(
        "sign_ins",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), nullable=False, index=True),
        sa.Column("key_id", _ID, sa.ForeignKey("keys.id"), nullable=True),
        sa.Column("until", _TIME, nullable=False),
    )
    op.create_table(
        "trusts",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), primary_key=True, index=True),
        sa.Column("since", _TIME, nullable=False),
    )
    op.create_table(
        "changes",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("person_id", _ID, nullable=True, index=True),
        sa.Column("by", sa.String(40), nullable=False),
        sa.Column("what", sa.String(40), nullable=False),
        sa.Column("number", sa.String(60), nullable=False),
        sa.Column("how", sa.String(10), nullable=False),
        sa.Column("request_id", sa.String(32), nullable=True),
    )
    op.create_index("ix_changes_what", "changes", ["what", "number"])
    # plain SQL, known to both databases: alembic would copy the table on SQLite, and entries point at it
    op.execute("ALTER TABLE installations ADD COLUMN owner_id BIGINT REFERENCES people (id)")
    op.create_index("ix_installations_owner_id", "installations", ["owner_id"])
    op.add_column("installations", sa.Column("client_id", sa.String(64), nullable=True))
    op.create_index("uq_installations_client_id", "installations", ["client_id"], unique=True)
    op.add_column("corrections", sa.Column("client_id", sa.String(64), nullable=True))
    op.create_index("uq_corrections_client_id", "corrections", ["entry_id", "client_id"], unique=True)
    op.add_column("notes", sa.Column("client_id", sa.String(64), nullable=True))
    op.create_index("uq_notes_client_id", "notes", ["installation_id", "client_id"], unique=True)


def downgrade() -> None:
    """Drop them."""
    op.drop_index("uq_notes_client_id", "notes")
    op.drop_column("notes", "client_id")
    op.drop_index("uq_corrections_client_id", "corrections")
    op.drop_column("corrections", "client_id")
    op.drop_index("uq_installations_client_id", "installations")
    op.drop_column("installations", "client_id")
    op.drop_index("ix_installations_owner_id", "installations")
    op.execute("ALTER TABLE installations DROP COLUMN owner_id")
    for name in ("changes", "trusts", "sign_ins", "keys", "people"):
        op.drop_table(name)
