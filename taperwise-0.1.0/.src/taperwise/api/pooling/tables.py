"""Tables of the pool."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Float, ForeignKey, Integer, String
from sqlalchemy.orm import Mapped, mapped_column

from taperwise.api.core.database import Base, Id, Utc

__all__ = ["Audit", "Contribution", "Member", "Version"]


class Contribution(Base):
    """What an engine left, and how it is recognised: its owner's pool token, and digests of its log.

    `installation_id` is None once the installation is erased, `document` once it is withdrawn.
    """

    __tablename__ = "pool_contributions"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    installation_id: Mapped[int | None] = mapped_column(Id, ForeignKey("installations.id"))
    owner: Mapped[str] = mapped_column(String(32))
    engine: Mapped[str] = mapped_column(String(64))
    log: Mapped[str] = mapped_column(String(64))
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


class Audit(Base):
    """What happened to the pool; never shown but to whoever runs the service."""

    __tablename__ = "pool_audit"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    at: Mapped[datetime] = mapped_column(Utc)
    what: Mapped[str] = mapped_column(String(20))
    contribution_id: Mapped[int | None] = mapped_column(Id, ForeignKey("pool_contributions.id"))
    version: Mapped[int | None] = mapped_column(Integer)
    count: Mapped[int] = mapped_column(Integer)
