"""Tables of access: people, keys, sign-ins, who looks after whose installation, and who changed what."""

from datetime import datetime
from secrets import token_hex

from sqlalchemy import JSON, BigInteger, ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from taperwise.api.core.database import Base, Id, Utc

__all__ = ["AdviserGrant", "Change", "Invitation", "Key", "Offer", "Person", "Seen", "SignIn"]


class Person(Base):
    """Somebody with keys; once erased, only the number is left. `pool_token` is never shown."""

    __tablename__ = "people"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    name: Mapped[str | None] = mapped_column(String(100), unique=True)
    roles: Mapped[list[str]] = mapped_column(JSON)
    password: Mapped[str | None] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(Utc)
    erased_at: Mapped[datetime | None] = mapped_column(Utc)
    pool_token: Mapped[str | None] = mapped_column(String(32), default=lambda: token_hex(16))


class Key(Base):
    """A key, of which only a digest is kept."""

    __tablename__ = "keys"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    person_id: Mapped[int] = mapped_column(Id, ForeignKey("people.id"), index=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    label: Mapped[str] = mapped_column(String(100))
    scope: Mapped[str] = mapped_column(String(12))
    created_at: Mapped[datetime] = mapped_column(Utc)
    last_used_at: Mapped[datetime | None] = mapped_column(Utc)
    revoked_at: Mapped[datetime | None] = mapped_column(Utc)


class SignIn(Base):
    """A browser that is signed in, of whose cookie only a digest is kept."""

    __tablename__ = "sign_ins"

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[int] = mapped_column(Id, ForeignKey("people.id"), index=True)
    key_id: Mapped[int | None] = mapped_column(Id, ForeignKey("keys.id"))
    until: Mapped[datetime] = mapped_column(Utc)


class AdviserGrant(Base):
    """An installation that an adviser looks after."""

    __tablename__ = "trusts"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    person_id: Mapped[int] = mapped_column(Id, ForeignKey("people.id"), primary_key=True, index=True)
    since: Mapped[datetime] = mapped_column(Utc)


class Invitation(Base):
    """A link that lets somebody in once, of which only a digest is kept.

    It makes a person of that name with these roles; with `person_id`, it lets that person set a new password instead.
    """

    __tablename__ = "invitations"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    name: Mapped[str] = mapped_column(String(100))
    roles: Mapped[list[str]] = mapped_column(JSON)
    person_id: Mapped[int | None] = mapped_column(Id, ForeignKey("people.id"), index=True)
    made_at: Mapped[datetime] = mapped_column(Utc)
    until: Mapped[datetime] = mapped_column(Utc)


class Offer(Base):
    """An installation that its owner offers to somebody, who has not accepted yet."""

    __tablename__ = "offers"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    person_id: Mapped[int] = mapped_column(Id, ForeignKey("people.id"), index=True)
    at: Mapped[datetime] = mapped_column(Utc)


class Seen(Base):
    """When somebody last looked at an installation; 0 stands for everyone where sign-in is off."""

    __tablename__ = "seen"

    person_id: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True, index=True)
    at: Mapped[datetime] = mapped_column(Utc)


class Change(Base):
    """A row that was made, changed or removed, and by whom; kept when the person is erased, without them."""

    __tablename__ = "changes"
    __table_args__ = (Index("ix_changes_what", "what", "number"),)

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    at: Mapped[datetime] = mapped_column(Utc)
    person_id: Mapped[int | None] = mapped_column(Id, index=True)
    by: Mapped[str] = mapped_column(String(40))
    what: Mapped[str] = mapped_column(String(40))
    number: Mapped[str] = mapped_column(String(60))
    how: Mapped[str] = mapped_column(String(10))
    request_id: Mapped[str | None] = mapped_column(String(32))
