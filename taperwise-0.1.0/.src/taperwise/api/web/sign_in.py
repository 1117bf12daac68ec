"""Signing in and out, and one's own keys and password."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from taperwise.api.accounts import credentials, repository, service
from taperwise.api.accounts.authentication import SIGN_IN, Limiter, cookie_name, keep_signed_in
from taperwise.api.accounts.authorization import Asker
from taperwise.api.accounts.phones import PHONE_PAGE
from taperwise.api.accounts.principal import NOBODY, Caller, as_principal
from taperwise.api.accounts.schemas import KeyOut
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db, KeyId, Number
from taperwise.api.core.roles import Rule, Scope, requires
from taperwise.api.core.settings import Settings
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.ownership import erasure, transfer
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError, UnknownCallerError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_HOME = "/installations"


@router.get(SIGN_IN, **requires(Rule.ANYONE))
def blank(asker: Asker, request: Request, to: Annotated[str, Query(alias="next", max_length=300)] = _HOME) -> Response:
    """The form; whoever is known already goes on, and where only phones are let in there is no form."""
    if request.app.state.phones is not None and not asker.known:
        return RedirectResponse(PHONE_PAGE, 303)
    return RedirectResponse(_inside(to), 303) if asker.known else _form(_inside(to), [])


@router.post(SIGN_IN, **requires(Rule.ANYONE))
def sign_in(typed: Form, request: Request, database: Db) -> Response:
    """Sign in with a key, or with a name and its password."""
    to, name = _inside(typed.get("next")), typed.get("name")
    settings: Settings = request.app.state.settings
    tried: Limiter = request.app.state.sign_ins
    address = request.client.host if request.client else "unknown"
    for who in {f"at {address}", f"as {name.casefold()}" if name else f"at {address}"}:
        if not tried.admits(who):
            wait = tried.seconds(who)
            return _form(
                to, [_wrong("Too many attempts in a minute", f"Wait {wait} s.")], 429, {"Retry-After": str(wait)}
            )
    with database.unit() as session:
        secret = _cookie(session, typed)
    if secret is None:
        wrong = _wrong("Key or password not recognised", "Check it, or ask your administrator for a new link.")
        return _form(to, [wrong], 401)
    answer = RedirectResponse(to, 303)
    keep_signed_in(answer, secret, settings.encrypted)
    return answer


def _cookie(session: Session, typed: Typed) -> str | None:
    key = typed.get("key")
    if key:
        return service.sign_in_with_key(session, key)
    return service.sign_in_with_password(session, typed.get("name"), typed.raw.get("password", ""))


def _wrong(message: str, cure: str) -> FieldError:
    return FieldError(field="", value="", message=message, cure=cure)


def _inside(to: str) -> str:
    """An address of ours to go on to; never one elsewhere."""
    return to if to.startswith("/") and not to.startswith(("//", "/\\", SIGN_IN)) else _HOME


def _form(to: str, errors: list[FieldError], status: int = 200, headers: dict[str, str] | None = None) -> Response:
    answer = page("sign_in.html", status, to=to, errors=errors)
    answer.headers.update(headers or {})
    return answer


@router.post("/sign-out", **requires(Rule.ANYONE))
def sign_out(request: Request, database: Db) -> Response:
    """Sign this browser out; copies of pages that it keeps are dropped, entries that wait to be sent are not."""
    settings: Settings = request.app.state.settings
    name = cookie_name(settings.encrypted)
    with database.unit() as session:
        repository.end_sign_in(session, credentials.digest(request.cookies.get(name, "")))
    with as_principal(NOBODY):
        answer = page("signed_out.html")
    answer.delete_cookie(name, path="/", secure=settings.encrypted, httponly=True, samesite="lax")
    return answer


@router.get("/account", **requires(Rule.SIGNED_IN))
def account(asker: Asker, database: Db) -> Response:
    """Who is signed in, with keys and password."""
    return _account(asker, database)


@router.post("/account/keys", **requires(Rule.SIGNED_IN))
def new_key(typed: Form, asker: Asker, database: Db, once: OnceTyped) -> Response:
    """Another key, shown once."""
    scope = Scope.READING if typed.get("scope") == Scope.READING else Scope.EVERYTHING
    made = service.give_key_once(once, _number(asker), typed.get("label")[:100] or "a key", scope)
    return _account(asker, database, secret=made.secret)


@router.post("/account/keys/{key_id}/revoke", **requires(Rule.SIGNED_IN))
def revoke(key_id: KeyId, asker: Asker, database: Db) -> Response:
    """Let a key open nothing any more."""
    with database.unit() as session:
        service.revoke(session, _number(asker), key_id)
    return RedirectResponse("/account", 303)


@router.post("/account/password", **requires(Rule.SIGNED_IN))
def password(typed: Form, asker: Asker, database: Db) -> Response:
    """Set a password; one has to sign in with it then."""
    try:
        with database.unit() as session:
            service.set_password(session, _number(asker), typed.raw.get("password", ""))
    except TaperwiseError as error:
        return _account(asker, database, errors=[_wrong(error.message, error.cure)], status=422)
    return RedirectResponse(SIGN_IN, 303)


@router.post("/account/offers/{offered_id}", **requires(Rule.SIGNED_IN))
def answer_offer(
    offered_id: Annotated[Number, Path(description="Number of the installation.")], typed: Form, asker: Asker,
    database: Db,
) -> Response:  # fmt: skip
    """Take over an engine that its owner offered, or decline."""
    accepted = bool(typed.get("accept"))
    with database.unit() as session:
        (transfer.accept if accepted else transfer.decline)(session, offered_id, _number(asker))
    return RedirectResponse(f"/installations/{offered_id}" if accepted else "/installations", 303)


@router.post("/account/leave", **requires(Rule.SIGNED_IN))
def leave(typed: Form, asker: Asker, database: Db) -> Response:
    """Erase whoever asks with every engine they own, once they typed their name."""
    if typed.get("name") != asker.name:
        wrong = _wrong("This is another name. Nothing was erased", "Type your name exactly.")
        return _account(asker, database, errors=[wrong], status=422)
    with database.unit() as session:
        erasure.erase(session, _number(asker))
    with as_principal(NOBODY):
        return page("signed_out.html")


def _number(asker: Caller) -> int:
    if asker.person_id is None:
        raise UnknownCallerError("You are not signed in", cure="Sign in first.")
    return asker.person_id


def _account(
    asker: Caller, database: Database, *, secret: str = "", errors: list[FieldError] | None = None, status: int = 200
) -> Response:
    keys: list[Any] = []
    engines = 0
    if asker.person_id is not None:
        with database.reading() as session:
            keys = [KeyOut.of(row) for row in repository.keys_of(session, asker.person_id)]
            engines = len(repository.owned(session, asker.person_id))
    return page(
        "account.html",
        status,
        asker=asker,
        keys=keys,
        engines=engines,
        secret=secret,
        errors=errors or [],
        client_id=new_id(),
    )
