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
    """A new person."""

    name: Name = Field(description="Name of the person, any word.")
    roles: list[Role] = Field(min_length=1, max_length=4, description="Roles of the person.")


class PersonOut(Wire):
    """A person."""

    id: int = Field(description="Number of the person.")
    name: str = Field(description="Name of the person; empty after erasure.")
    roles: list[Role] = Field(description="Roles of the person.")
    created_at: datetime = Field(description="Moment at which the person was added (UTC).")

    @classmethod
    def of(cls, row: Person) -> "PersonOut":
        """A person as stored."""
        return cls(id=row.id, name=row.name or "", roles=[Role(r) for r in row.roles], created_at=row.created_at)


class MeOut(Wire):
    """The caller."""

    known_by: str = Field(description="Way of sign-in: key, session, or local with sign-in off.")
    person_id: int | None = Field(description="Your number. Null: sign-in is off.")
    name: str = Field(description="Your name; empty with sign-in off.")
    roles: list[Role] = Field(description="Your roles.")
    only_reads: bool = Field(description="Whether your access key is for reading only.")


class KeyIn(Wire):
    """A new access key, as asked for."""

    label: Name = Field("a key", description="Purpose of the access key.")
    scope: Scope = Field(
        Scope.EVERYTHING, description="Scope of the access key: all that its person may do, or reading only."
    )


class KeyOut(Wire):
    """An access key without its secret."""

    id: int = Field(description="Number of the access key.")
    label: str = Field(description="Purpose of the access key.")
    scope: Scope = Field(description="Scope of the access key.")
    created_at: datetime = Field(description="Moment at which the key was made (UTC).")
    last_used_at: datetime | None = Field(description="Last use (UTC), to within five minutes. Null: never used.")
    revoked_at: datetime | None = Field(description="Moment at which the key was revoked (UTC). Null: valid.")

    @classmethod
    def of(cls, row: Key) -> "KeyOut":
        """A key as stored."""
        return cls.model_validate(row, from_attributes=True)


class KeyMade(Wire):
    """A new access key with its secret."""

    key: KeyOut = Field(description="The access key.")
    secret: str = Field(description="Secret of the access key; the service shows it this once and does not store it.")


class PasswordIn(Wire):
    """A password for the pages."""

    password: str = Field(min_length=1, max_length=200, description="New password for the pages.")


class AdviserOut(Wire):
    """An adviser with access to an engine."""

    person_id: int = Field(description="Number of the adviser.")
    name: str = Field(description="Name of the adviser.")
    since: datetime = Field(description="Moment at which the owner gave access (UTC).")

    @classmethod
    def of(cls, trust: AdviserGrant, person: Person) -> "AdviserOut":
        """A trust as stored."""
        return cls(person_id=person.id, name=person.name or "", since=trust.since)


class OfferOut(Wire):
    """An installation that its owner offers you."""

    installation_id: int = Field(description="Number of the installation.")
    name: str = Field(description="Name of the installation.")
    owner: str = Field(description="Name of the owner.")


class ChangeOut(Wire):
    """Something that was made, changed or removed."""

    id: int = Field(description="Number of the change.")
    at: datetime = Field(description="Moment of the change (UTC).")
    person_id: int | None = Field(description="Number of the person. Null: sign-in was off, or the person was erased.")
    by: str = Field(description="Way in: key, session, command or local.")
    what: str = Field(description="Kind of thing that changed.")
    number: str = Field(description="Number of the thing that changed.")
    how: str = Field(description="Kind of change.")
    request_id: str | None = Field(description="Id of the request in the service's log. Null: no request.")

    @classmethod
    def of(cls, row: Change) -> "ChangeOut":
        """A change as stored."""
        return cls.model_validate(row, from_attributes=True)
