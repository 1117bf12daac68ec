"""Routes of access: whoever asks and their keys; people, for administrators; who changed what."""

from typing import Annotated

from fastapi import APIRouter, Body, Query, Response
from fastapi.openapi.models import Example
from sqlalchemy.orm import Session

from taperwise.api.accounts import audit as accounts_audit
from taperwise.api.accounts import repository, service
from taperwise.api.accounts.authorization import Asker
from taperwise.api.accounts.principal import number_of
from taperwise.api.accounts.schemas import (
    ChangeOut,
    KeyIn,
    KeyMade,
    KeyOut,
    MeOut,
    PasswordIn,
    PersonIn,
    PersonOut,
)
from taperwise.api.core.dependencies import Count, KeyId, Number, PersonId, ReadingUnit, Unit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Role, Rule, requires

__all__ = ["router"]

router = APIRouter(prefix="/api/v1", tags=["access"])

_READ = responses(404, 422, 503)
_WRITE = responses(400, 404, 409, 413, 415, 422, 503, 507)
_PERSON: dict[str, Example] = {
    "builder": {"summary": "A builder", "value": {"name": "the builder in hangar 7", "roles": ["builder"]}},
}
_KEY: dict[str, Example] = {
    "display": {"summary": "For a display", "value": {"label": "display in the hangar", "scope": "reading"}},
}
_PASSWORD: dict[str, Example] = {
    "words": {"summary": "Words", "value": {"password": "four words nobody puts together"}},
}


@router.get("/me", **requires(Rule.SIGNED_IN), responses=responses(503), summary="Show yourself")
def me(asker: Asker) -> MeOut:
    """Returns your name, roles and rights."""
    roles = list(Role) if asker.everything else sorted(asker.roles)
    return MeOut(
        known_by=asker.how, person_id=asker.person_id, name=asker.name, roles=roles, only_reads=asker.only_reads
    )


@router.get("/me/keys", **requires(Rule.SIGNED_IN), responses=responses(409, 503), summary="List your access keys")
def my_keys(asker: Asker, unit: ReadingUnit) -> list[KeyOut]:
    """Returns your access keys, revoked ones too."""
    return [KeyOut.of(row) for row in repository.keys_of(unit, number_of(asker))]


@router.post("/me/keys", **requires(Rule.SIGNED_IN), status_code=201, responses=_WRITE, summary="Make an access key")
def my_new_key(sent: Annotated[KeyIn, Body(openapi_examples=_KEY)], asker: Asker, once: OncePosted) -> KeyMade:
    """Makes an access key for you. The response shows its secret this once."""
    return service.give_key_once(once, number_of(asker), sent.label, sent.scope)


@router.delete(
    "/me/keys/{key_id}",
    **requires(Rule.SIGNED_IN),
    responses=responses(404, 409, 422, 503),
    summary="Revoke your access key",
)
def my_revoked_key(key_id: KeyId, asker: Asker, unit: Unit) -> KeyOut:
    """Revokes one of your access keys."""
    return KeyOut.of(service.revoke(unit, number_of(asker), key_id))


@router.put("/me/password", **requires(Rule.SIGNED_IN), status_code=204, responses=_WRITE, summary="Set a password")
def my_password(sent: Annotated[PasswordIn, Body(openapi_examples=_PASSWORD)], asker: Asker, unit: Unit) -> Response:
    """Sets your password for the pages and signs out every browser."""
    service.set_password(unit, number_of(asker), sent.password)
    return Response(status_code=204)


@router.get("/people", **requires(Rule.ADMINISTERS), responses=responses(503), summary="List people")
def everybody(unit: ReadingUnit) -> list[PersonOut]:
    """Returns all people."""
    return [PersonOut.of(row) for row in repository.people(unit)]


@router.post(
    "/people",
    **requires(Rule.ADMINISTERS),
    status_code=201,
    response_model=PersonOut,
    responses=_WRITE,
    summary="Add a person",
)
def new_person(sent: Annotated[PersonIn, Body(openapi_examples=_PERSON)], once: OncePosted) -> Response:
    """Adds a person with roles. Make an access key next. Each name must be new."""

    def deed(unit: Session) -> Made:
        row = service.add(unit, sent.name, sent.roles)
        return Made(PersonOut.of(row), person_id=row.id)

    return once.do(deed).response()


@router.get(
    "/people/{person_id}/keys", **requires(Rule.ADMINISTERS), responses=_READ, summary="List a person's access keys"
)
def keys(person_id: PersonId, unit: ReadingUnit) -> list[KeyOut]:
    """Returns the access keys of a person, without secrets."""
    repository.person(unit, person_id)
    return [KeyOut.of(row) for row in repository.keys_of(unit, person_id)]


@router.post(
    "/people/{person_id}/keys",
    **requires(Rule.ADMINISTERS),
    status_code=201,
    responses=_WRITE,
    summary="Make a person's access key",
)
def give_key(person_id: PersonId, sent: Annotated[KeyIn, Body(openapi_examples=_KEY)], once: OncePosted) -> KeyMade:
    """Makes an access key for a person. The response shows its secret this once."""
    return service.give_key_once(once, person_id, sent.label, sent.scope)


@router.delete(
    "/people/{person_id}/keys/{key_id}",
    **requires(Rule.ADMINISTERS),
    responses=_READ,
    summary="Revoke a person's access key",
)
def revoke(person_id: PersonId, key_id: KeyId, unit: Unit) -> KeyOut:
    """Revokes an access key of a person and signs out its browsers."""
    return KeyOut.of(service.revoke(unit, person_id, key_id))


@router.get("/changes", **requires(Rule.ADMINISTERS), responses=responses(422, 503), summary="List changes")
def audit(
    unit: ReadingUnit,
    limit: Annotated[Count, Query(ge=1, le=200, description="Changes of one answer at most.")] = 50,
    before: Annotated[
        Number | None, Query(description="Number of a change; older ones are returned. Null: from the latest.")
    ] = None,
) -> list[ChangeOut]:
    """Returns what was made, changed or removed, the latest first."""
    return [ChangeOut.of(row) for row in accounts_audit.latest(unit, limit, before)]
