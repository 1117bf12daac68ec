"""Tables of the pool."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Float, ForeignKey, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from taperwise.api.core.database import Base, Id, Utc

__all__ = ["Audit", "Contribution", "Elsewhere", "LeftOut", "Member", "Version"]


class Contribution(Base):
    """What an engine left; `installation_id` is None where it came from another service, `document` once withdrawn."""

    __tablename__ = "pool_contributions"
    __table_args__ = (UniqueConstraint("digest", name="uq_pool_contributions_digest"),)

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    installation_id: Mapped[int | None] = mapped_column(Id, ForeignKey("installations.id"))
    owner: Mapped[str] = mapped_column(String(64))
    digest: Mapped[str] = mapped_column(String(64))
    document: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    contributed_at: Mapped[datetime] = mapped_column(Utc)
    withdrawn_at: Mapped[datetime | None] = mapped_column(Utc)


class Version(Base):
    """A published version, and what it cost of the privacy budget."""

    __tablename__ = "pool_versions"

    version: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    published_at: Mapped[datetime] = mapped_column(Utc)
    rho: Mapped[float | None] = mapped_column(Float)
    document: Mapped[dict[str, Any]] = mapped_column(JSON)


class Member(Base):
    """Which contributions stand behind a version; never shown."""

    __tablename__ = "pool_members"

    version: Mapped[int] = mapped_column(Integer, ForeignKey("pool_versions.version"), primary_key=True)
    contribution_id: Mapped[int] = mapped_column(Id, ForeignKey("pool_contributions.id"), primary_key=True)


class LeftOut(Base):
    """A version as it is without one owner's engines; told to nobody but that owner, and always the same.

    `without` stands for the engines left out.
    """

    __tablename__ = "pool_left_out"

    version: Mapped[int] = mapped_column(Integer, ForeignKey("pool_versions.version"), primary_key=True)
    without: Mapped[str] = mapped_column(String(64), primary_key=True)
    document: Mapped[dict[str, Any]] = mapped_column(JSON)


class Elsewhere(Base):
    """Contributions that another service has together and may have published: digests and their owners."""

    __tablename__ = "pool_elsewhere"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    members: Mapped[dict[str, str]] = mapped_column(JSON)


class Audit(Base):
    """What happened to the pool; never shown but to whoever runs the service."""

    __tablename__ = "pool_audit"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    at: Mapped[datetime] = mapped_column(Utc)
    what: Mapped[str] = mapped_column(String(20))
    digest: Mapped[str | None] = mapped_column(String(64))
    version: Mapped[int | None] = mapped_column(Integer)
    count: Mapped[int] = mapped_column(Integer)
