"""The page that a one-time link opens: choose a password, and be signed in."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from taperwise.api.accounts import invitations
from taperwise.api.accounts.authentication import JOIN, keep_signed_in
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.settings import Settings
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.web.form_data import Form
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import ConflictError, InvalidValueError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get(JOIN, **requires(Rule.ANYONE))
def show(database: Db, invitation: Annotated[str, Query(max_length=100)] = "") -> Response:
    """Who is invited, and the form for the password."""
    with database.reading() as session:
        row = invitations.find(session, invitation)
    return page("join.html", secret=invitation, name=row.name, known=row.person_id is not None, errors=[])


@router.post(JOIN, **requires(Rule.ANYONE))
def join(typed: Form, request: Request, database: Db) -> Response:
    """Set the password, and sign this browser in. The link works no longer."""
    secret = typed.get("invitation")
    try:
        with database.unit() as session:
            row = invitations.find(session, secret)
            name, known = row.name, row.person_id is not None
            cookie = invitations.accept(session, secret, typed.raw.get("password", ""))
    except (InvalidValueError, ConflictError) as error:
        one = FieldError(field=error.field, value="", message=error.message, cure=error.cure)
        return page("join.html", 422, secret=secret, name=name, known=known, errors=[one])
    settings: Settings = request.app.state.settings
    answer = RedirectResponse("/installations", 303)
    keep_signed_in(answer, cookie, settings.encrypted)
    return answer
