"""People and keys on the wire."""

from datetime import datetime
from typing import Annotated

from pydantic import Field, StringConstraints

from taperwise.api.accounts.tables import AdviserGrant, Change, Key, Person
from taperwise.api.core.roles import Role, Scope
from taperwise.api.schemas.quantities import Wire

__all__ = [
    "AdviserOut",
    "ChangeOut",
    "KeyIn",
    "KeyMade",
    "KeyOut",
    "MeOut",
    "OfferOut",
    "PasswordIn",
    "PersonIn",
    "PersonOut",
]

Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=100)]


class PersonIn(Wire):
    """Somebody to be made known."""

    name: Name = Field(description="What they are called here; any word will do.")
    roles: list[Role] = Field(min_length=1, max_length=4)


class PersonOut(Wire):
    """Somebody."""

    id: int
    name: str
    roles: list[Role]
    created_at: datetime

    @classmethod
    def of(cls, row: Person) -> "PersonOut":
        """A person as stored."""
        return cls(id=row.id, name=row.name or "", roles=[Role(r) for r in row.roles], created_at=row.created_at)


class MeOut(Wire):
    """Whoever asks."""

    known_by: str = Field(description="How: a key, a sign-in, or local where people are not told apart.")
    person_id: int | None
    name: str
    roles: list[Role]
    only_reads: bool


class KeyIn(Wire):
    """A key to be made."""

    label: Name = Field("a key", description="What it is for.")
    scope: Scope = Field(Scope.EVERYTHING, description="Everything its person may, or reading alone.")


class KeyOut(Wire):
    """A key, without what opens."""

    id: int
    label: str
    scope: Scope
    created_at: datetime
    last_used_at: datetime | None = Field(description="To within five minutes.")
    revoked_at: datetime | None

    @classmethod
    def of(cls, row: Key) -> "KeyOut":
        """A key as stored."""
        return cls.model_validate(row, from_attributes=True)


class KeyMade(Wire):
    """A new key."""

    key: KeyOut
    secret: str = Field(description="What opens: shown this once, and kept nowhere.")


class PasswordIn(Wire):
    """A password for the pages."""

    password: str = Field(min_length=1, max_length=200)


class AdviserOut(Wire):
    """Who looks after an installation."""

    person_id: int
    name: str
    since: datetime

    @classmethod
    def of(cls, trust: AdviserGrant, person: Person) -> "AdviserOut":
        """A trust as stored."""
        return cls(person_id=person.id, name=person.name or "", since=trust.since)


class OfferOut(Wire):
    """An installation that its owner offers you."""

    installation_id: int = Field(description="Number of the installation.")
    name: str = Field(description="Its name.")
    owner: str = Field(description="Who offers it.")


class ChangeOut(Wire):
    """Something that was made, changed or removed."""

    id: int
    at: datetime
    person_id: int | None = Field(description="None where people are not told apart, or once they are erased.")
    by: str
    what: str
    number: str
    how: str
    request_id: str | None

    @classmethod
    def of(cls, row: Change) -> "ChangeOut":
        """A change as stored."""
        return cls.model_validate(row, from_attributes=True)
