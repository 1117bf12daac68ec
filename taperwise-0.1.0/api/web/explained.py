"""The model explained, for those who turn the screw and for those who ask how it is sure."""

from importlib.resources import files

from fastapi import APIRouter, Response

from taperwise.api.core.roles import Rule, requires
from taperwise.api.explained.text import READERS, page_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import HEADERS, page
from taperwise.shared.errors import NotFoundError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/model")


@router.get("/{reader}", **requires(Rule.ANYONE))
def explained(reader: str) -> Response:
    """One explanation."""
    if reader not in READERS:
        raise NotFoundError(
            "Explanation not found", field="reader", value=reader, cure=f"Use one of {', '.join(READERS)}."
        )
    return page("explained.html", reader=reader, text=page_of(reader))


@router.get("/figures/{name}.svg", **requires(Rule.ANYONE))
def figure(name: str) -> Response:
    """One figure of them."""
    from taperwise.api.explained.figures import FIGURES  # imported late: loads altair and vl-convert

    if name not in FIGURES:
        raise NotFoundError("Figure not found", field="name", value=name, cure=f"Use one of {', '.join(FIGURES)}.")
    svg = files("taperwise.api.explained").joinpath("figures", f"{name}.svg").read_text(encoding="utf-8")
    return Response(svg, media_type="image/svg+xml", headers=HEADERS)
