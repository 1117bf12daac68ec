"""Help: the documents of the project, as pages."""

from functools import cache

from fastapi import APIRouter, Response

from taperwise.api.core.problems import KINDS
from taperwise.api.core.roles import Rule, requires
from taperwise.api.explained.documents import CONTENTS, address_of, contents, document, html_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import HEADERS, page
from taperwise.shared.errors import NotFoundError

__all__ = ["kinds", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/help")
kinds = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("", **requires(Rule.ANYONE))
def index() -> Response:
    """All help pages, by kind."""
    return _shown(CONTENTS)


@router.get("/pictures/{name}.png", **requires(Rule.ANYONE))
def picture(name: str) -> Response:
    """One picture of the help pages."""
    found = {each.name: each for each in document("api/docs/pictures").iterdir()}.get(f"{name}.png")
    if found is None:
        raise NotFoundError("Picture not found", field="name", value=name, cure="Go back to /help.")
    return Response(found.read_bytes(), media_type="image/png", headers=HEADERS)


@router.get("/{path:path}", **requires(Rule.ANYONE))
def help_page(path: str) -> Response:
    """One help page."""
    known = {address_of(each): each for listed in contents().values() for each in listed}
    if (source := known.get(f"/help/{path}")) is None:
        raise NotFoundError("Help page not found", field="path", value=path, cure="Open /help for the list.")
    return _shown(source)


@kinds.get("/problems/{kind}", **requires(Rule.ANYONE))
def problem_kind(kind: str) -> Response:
    """What a kind of refusal means, at the address that is its type."""
    if kind not in KINDS:
        raise NotFoundError("there is no such kind of problem", field="kind", value=kind, cure="Open /help.")
    title, cure = KINDS[kind]
    return page("problem_kind.html", title=title, cure=cure)


def _shown(source: str) -> Response:
    kinds = {kind: {address_of(p): title for p, title in listed.items()} for kind, listed in contents().items()}
    title = next((listed[source] for listed in contents().values() if source in listed), "Help")
    here = address_of(source)
    return page("help.html", title=title, text=_html(source), kinds={} if source == CONTENTS else kinds, here=here)


@cache
def _html(source: str) -> str:
    return html_of(source, document(source).read_text(encoding="utf-8"))
