"""The initial schema: people, installations with their logs, and the pool."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables; those that others refer to first."""
    _people()
    _installations()
    _logs()
    _answers()
    _pool()
    _idempotency_keys()


def _people() -> None:
    op.create_table(
        "people",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("name", sa.String(100), nullable=True, unique=True),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("password", sa.String(200), nullable=True),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("erased_at", _TIME, nullable=True),
        sa.Column("pool_token", sa.String(32), nullable=True),
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
        "invitations",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
        sa.Column("name", sa.String(100), nullable=False),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), nullable=True, index=True),
        sa.Column("made_at", _TIME, nullable=False),
        sa.Column("until", _TIME, nullable=False),
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


def _installations() -> None:
    op.create_table(
        "installations",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("owner_id", sa.BigInteger(), sa.ForeignKey("people.id"), nullable=True, index=True),
        sa.Column("imported", sa.Boolean(), nullable=False),
    )
    op.create_table(
        "trusts",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), primary_key=True, index=True),
        sa.Column("since", _TIME, nullable=False),
    )
    op.create_table(
        "offers",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), nullable=False, index=True),
        sa.Column("at", _TIME, nullable=False),
    )
    op.create_table(
        "notes",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=False, index=True),
        sa.Column("written_at", _TIME, nullable=False),
        sa.Column("author", sa.String(100), nullable=False),
        sa.Column("text", sa.String(2000), nullable=False),
        sa.Column("person_id", sa.BigInteger(), sa.ForeignKey("people.id"), nullable=True, index=True),
        sa.Column("edited_at", _TIME, nullable=True),
    )
    op.create_table(
        "seen",
        sa.Column("person_id", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True, index=True),
        sa.Column("at", _TIME, nullable=False),
    )
    op.create_table(
        "standings",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("exceeded", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("state", sa.Integer(), nullable=True),
        sa.Column("seed", _ID, nullable=True),
        sa.Column("model_version", sa.String(20), nullable=True),
        sa.Column("stage", sa.String(20), nullable=True),
        sa.Column("cause", sa.String(30), nullable=True),
        sa.Column("chance_both", sa.Float(), nullable=True),
        sa.Column("lean_chance", sa.Float(), nullable=True),
        sa.Column("doubt", sa.Float(), nullable=True),
        sa.Column("converged", sa.Boolean(), nullable=True),
        sa.Column("runs", sa.Integer(), nullable=True),
        sa.Column("runs_to_finish", sa.Float(), nullable=True),
        sa.Column("findings", sa.Integer(), nullable=True),
        sa.Column("seal", sa.String(64), nullable=True),
    )


def _logs() -> None:
    op.create_table(
        "entries",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(12), nullable=False),
        sa.Column("happened_at", _TIME, nullable=False),
        sa.Column("recorded_at", _TIME, nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.UniqueConstraint("installation_id", "sequence", name="uq_entries_sequence"),
    )
    op.create_table(
        "corrections",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("entry_id", _ID, sa.ForeignKey("entries.id"), nullable=False, index=True),
        sa.Column("recorded_at", _TIME, nullable=False),
        sa.Column("reason", sa.String(500), nullable=False),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
    )
    op.create_table(
        "traces",
        sa.Column("entry_id", _ID, sa.ForeignKey("entries.id"), primary_key=True),
        sa.Column("sent", sa.JSON(), nullable=False),
        sa.Column("read", sa.JSON(), nullable=False),
    )
    op.create_table(
        "photos",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("entry_id", _ID, sa.ForeignKey("entries.id"), nullable=False, index=True),
        sa.Column("added_at", _TIME, nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("image", sa.LargeBinary(), nullable=False),
    )


def _answers() -> None:
    op.create_table(
        "answers",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("seed", _ID, nullable=False),
        sa.Column("model_version", sa.String(20), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
    )
    op.create_table(
        "earlier_fits",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("key", sa.String(64), primary_key=True),
        sa.Column("content", sa.LargeBinary(), nullable=False),
    )
    op.create_table(
        "engine_priors",
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), primary_key=True),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
    )


def _pool() -> None:
    op.create_table(
        "pool_contributions",
        sa.Column("id", _ID, primary_key=True, autoincrement=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=True),
        sa.Column("owner", sa.String(32), nullable=False),
        sa.Column("engine", sa.String(64), nullable=False),
        sa.Column("log", sa.String(64), nullable=False),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("contributed_at", _TIME, nullable=False),
        sa.Column("withdrawn_at", _TIME, nullable=True),
    )
    op.create_table(
        "pool_versions",
        sa.Column("version", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("published_at", _TIME, nullable=False),
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
        sa.Column("at", _TIME, nullable=False),
        sa.Column("what", sa.String(20), nullable=False),
        sa.Column("contribution_id", _ID, sa.ForeignKey("pool_contributions.id"), nullable=True),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
    )


def _idempotency_keys() -> None:
    op.create_table(
        "idempotency_keys",
        sa.Column("caller", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("key", sa.String(64), primary_key=True),
        sa.Column("operation", sa.String(200), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("created_at", _TIME, nullable=False, index=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("location", sa.String(200), nullable=True),
        sa.Column("document", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("installation_id", _ID, sa.ForeignKey("installations.id"), nullable=True, index=True),
        sa.Column("person_id", _ID, sa.ForeignKey("people.id"), nullable=True, index=True),
    )
