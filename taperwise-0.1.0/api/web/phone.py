"""The page that the one-time key of `taperwise serve --phone` opens: let this phone in."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from taperwise.api.accounts.authentication import keep_signed_in
from taperwise.api.accounts.authorization import Asker
from taperwise.api.accounts.phones import PHONE_PAGE, Phones, code_of
from taperwise.api.accounts.principal import LOCAL
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.settings import Settings
from taperwise.api.web.form_data import Form
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import NotFoundError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get(PHONE_PAGE, **requires(Rule.ANYONE))
def show(request: Request, asker: Asker, key: Annotated[str, Query(max_length=100)] = "") -> Response:
    """The button, where the key works; else how to come by one that does. The machine itself can make one."""
    if asker is LOCAL:
        _phones(request)
        return page("phone_code.html", link="", code="")
    works, settings = _phones(request).opens(key), _settings(request)
    return page("phone.html", 200 if works or not key else 404, key=key, works=works, encrypted=settings.encrypted)


@router.post(PHONE_PAGE, **requires(Rule.ANYONE))
def let_in(typed: Form, request: Request, asker: Asker) -> Response:
    """Let the phone in: its key works no longer. The machine itself is shown a new code."""
    if asker is LOCAL:
        link = _phones(request).new_link(_settings(request))
        return page("phone_code.html", link=link, code=code_of(link).svg_inline(border=4, light="#fff", omitsize=True))
    cookie, settings = _phones(request).let_in(typed.get("key")), _settings(request)
    if cookie is None:
        return page("phone.html", 404, key="used", works=False, encrypted=settings.encrypted)
    answer = RedirectResponse("/installations", 303)
    keep_signed_in(answer, cookie, settings.encrypted)
    return answer


def _settings(request: Request) -> Settings:
    found: Settings = request.app.state.settings
    return found


def _phones(request: Request) -> Phones:
    found: Phones | None = request.app.state.phones
    if found is None:
        raise NotFoundError(
            "This service lets no phone in by a one-time key", cure="Start it with `taperwise serve --phone`."
        )
    return found
