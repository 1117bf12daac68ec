"""People of the service, for administrators: invite, roles, access keys, a link for a new password, erase."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import RedirectResponse

from taperwise.api.accounts import invitations, repository, service
from taperwise.api.accounts.authentication import JOIN
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db, KeyId, Number, PersonId
from taperwise.api.core.roles import Role, Rule, requires
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.ownership import erasure
from taperwise.api.web.form_data import Form as Typing
from taperwise.api.web.form_data import Typed
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import InvalidValueError, TaperwiseError

__all__ = ["ROLE_WORDS", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/people")

ROLE_WORDS = {
    "builder": "Builder: sets up engines and tunes them",
    "adviser": "Adviser: sees and records for engines whose owners give access",
    "pool_keeper": "Pool keeper: publishes the shared pool",
    "administrator": "Administrator: manages accounts",
}
"""Roles in words."""

InvitationId = Annotated[Number, Path(description="Number of the invitation.")]


@router.get("", **requires(Rule.ADMINISTERS))
def show(database: Db) -> Response:
    """Everyone with an account, and the links that still work."""
    return _page(database)


@router.post("/invite", **requires(Rule.ADMINISTERS))
def invite(typed: Typing, database: Db, request: Request) -> Response:
    """Make a link for somebody new; it is shown once."""
    roles = _roles(typed)
    try:
        if not roles:
            raise InvalidValueError("a person has at least one role", field="roles", cure="Tick one role or more.")
        with database.unit() as session:
            secret = invitations.invite(session, typed.get("name"), roles)
    except TaperwiseError as error:
        return _page(database, typed=typed, errors=[_told(error)], status=422)
    return _page(database, link=_link(request, secret), link_for=typed.get("name"))


@router.post("/invitations/{invitation_id}/withdraw", **requires(Rule.ADMINISTERS))
def withdraw(invitation_id: InvitationId, database: Db) -> Response:
    """Make a link useless."""
    with database.unit() as session:
        invitations.withdraw(session, invitation_id)
    return RedirectResponse("/people", 303)


@router.post("/{person_id}/roles", **requires(Rule.ADMINISTERS))
def roles(person_id: PersonId, typed: Typing, database: Db) -> Response:
    """Change what somebody may do."""
    try:
        with database.unit() as session:
            service.set_roles(session, person_id, _roles(typed))
    except InvalidValueError as error:
        return _page(database, errors=[_told(error)], status=422)
    return RedirectResponse("/people", 303)


@router.post("/{person_id}/link", **requires(Rule.ADMINISTERS))
def link(person_id: PersonId, database: Db, request: Request) -> Response:
    """Make a link with which somebody sets a new password; it is shown once."""
    with database.unit() as session:
        name = repository.person(session, person_id).name or ""
        secret = invitations.reset(session, person_id)
    return _page(database, link=_link(request, secret), link_for=name)


@router.post("/{person_id}/keys/{key_id}/revoke", **requires(Rule.ADMINISTERS))
def revoke(person_id: PersonId, key_id: KeyId, database: Db) -> Response:
    """Revoke an access key of somebody."""
    with database.unit() as session:
        service.revoke(session, person_id, key_id)
    return RedirectResponse("/people", 303)


@router.post("/{person_id}/erase", **requires(Rule.ADMINISTERS))
def erase(person_id: PersonId, typed: Typing, database: Db) -> Response:
    """Erase somebody with every engine they own, once their name was typed."""
    with database.unit() as session:
        if typed.get("name") == (repository.person(session, person_id).name or ""):
            erasure.erase(session, person_id)
            return RedirectResponse("/people", 303)
    wrong = FieldError(
        field="name", value=typed.get("name")[:80], message="this is another name. Nothing was erased",
        cure="Type the name of the person exactly.",
    )  # fmt: skip
    return _page(database, errors=[wrong], status=422)


def _roles(typed: Typed) -> list[Role]:
    return [role for role in Role if typed.get(f"role.{role.value}")]


def _link(request: Request, secret: str) -> str:
    return f"{str(request.base_url).rstrip('/')}{JOIN}?invitation={secret}"


def _told(error: TaperwiseError) -> FieldError:
    return FieldError(field=error.field, value="", message=error.message, cure=error.cure)


def _page(
    database: Database, *, typed: Typed | None = None, errors: list[FieldError] | None = None, link: str = "",
    link_for: str = "", status: int = 200,
) -> Response:  # fmt: skip
    with database.reading() as session:
        people: list[dict[str, Any]] = [
            {
                "id": row.id,
                "name": row.name,
                "roles": set(row.roles),
                "password": row.password is not None,
                "keys": [key for key in repository.keys_of(session, row.id) if key.revoked_at is None],
                "engines": len(repository.owned(session, row.id)),
            }
            for row in repository.people(session)
        ]
        waiting = invitations.open_ones(session)
    return page(
        "people.html", status, people=people, waiting=waiting, role_words=ROLE_WORDS, typed=typed or Typed({}),
        errors=errors or [], link=link, link_for=link_for,
    )  # fmt: skip
