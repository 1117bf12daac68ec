"""The OpenAPI page, served from the package: a hangar has no network."""

from importlib.resources import files

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response
from starlette.exceptions import HTTPException

from taperwise.api.core.roles import Rule, requires

__all__ = ["CONTENT_POLICY", "router"]

router = APIRouter(include_in_schema=False)

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Nothing from outside; the page's own style attributes are the one concession."""

_FILES = {"page.css": "text/css", "page.js": "text/javascript", "start.js": "text/javascript"}
_SOURCES = {"page.css": "swagger-ui.css", "page.js": "swagger-ui-bundle.js", "start.js": "start.js"}
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>Taperwise: the API</title><link rel="icon" href="data:,"><link rel="stylesheet" href="/docs/page.css"></head>
<body><div id="api"></div><script src="/docs/page.js"></script><script src="/docs/start.js"></script></body></html>
"""


@router.get("/docs", **requires(Rule.ANYONE), summary="The OpenAPI page")
def page() -> HTMLResponse:
    """The page itself."""
    return HTMLResponse(_PAGE, headers={"Content-Security-Policy": CONTENT_POLICY})


@router.get("/docs/{name}", **requires(Rule.ANYONE))
def part(name: str) -> Response:
    """Its script and style."""
    if name not in _FILES:
        raise HTTPException(404, "No such file; the page is at /docs.")
    content = files("taperwise.api.web").joinpath("static", "swagger", _SOURCES[name]).read_bytes()
    return Response(content, media_type=_FILES[name], headers={"Cache-Control": "max-age=86400"})
