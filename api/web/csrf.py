"""Forms are taken from our own pages only, and no larger than a body may be."""

from python_multipart.multipart import parse_options_header
from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from taperwise.api.core.json_body import BodyError, read_whole, replayed
from taperwise.api.core.origin import origin_of
from taperwise.api.core.problems import problem
from taperwise.api.web.rendering import page

__all__ = ["FORMS_UNDER", "MOST_FIELDS", "OwnForms"]

FORMS_UNDER = ("/installations", "/desk", "/people", "/join", "/sign-in", "/sign-out", "/account", "/phone")
"""Every form is posted to an address that begins so."""

MOST_FIELDS = 400
"""Fields of the largest form: an installation with 24 needles has less than half as many."""

_KINDS = ("application/x-www-form-urlencoded", "multipart/form-data")


class OwnForms:
    """ASGI middleware: a form that a page from elsewhere posts, or one that is too large, is refused.

    What does not say where it comes from is no browser, and carries nobody's rights.
    """

    def __init__(self, app: ASGIApp, max_bytes: int) -> None:
        self.app = app
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check the form, then go on."""
        if scope["type"] != "http" or scope["method"] != "POST" or not scope["path"].startswith(FORMS_UNDER):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        try:
            _check(headers)
            body = await read_whole(receive, self.max_bytes)
            _few(headers, body)
        except BodyError as error:
            await _refused(headers, error)(scope, receive, send)
            return
        await self.app(scope, replayed(body, receive), send)


def _refused(headers: Headers, error: BodyError) -> Response:
    """A page for a browser that shows what it gets; a problem document for all others."""
    title = "The form cannot be used"
    if "text/html" in headers.get("accept", ""):
        return page("problem.html", error.status, title=title, errors=[error.error])
    return problem(error.status, title, error.detail(), [error.error])


def _few(headers: Headers, body: bytes) -> None:
    """Many fields, or separators of none, are seen before the form is read."""
    if _kind(headers)[0] == _KINDS[0] and body.count(b"&") >= MOST_FIELDS:
        raise BodyError(
            413,
            "form",
            f"The form has more than {MOST_FIELDS} fields",
            "Open the page again and fill the form in there.",
        )


def _kind(headers: Headers) -> tuple[str, str]:
    """The type of the body and its character set, by the parser that reads the form afterwards."""
    kind, options = parse_options_header(headers.get("content-type", ""))
    return kind.decode("latin-1").strip().lower(), options.get(b"charset", b"utf-8").decode("latin-1").lower()


def _check(headers: Headers) -> None:
    if origin_of(headers) == "elsewhere":
        seen = headers.get("origin") or headers.get("sec-fetch-site") or ""
        raise BodyError(403, "origin", "A page of another site sent this form", "Open the page of this service.", seen)
    kind, charset = _kind(headers)
    if kind not in _KINDS:
        cure = "Send JSON to the addresses under /api/v1."
        raise BodyError(415, "content-type", "This is not a form", cure, kind or "nothing")
    if charset not in ("utf-8", "utf8"):  # some take a minute to decode, or give what is no text
        raise BodyError(415, "content-type", "The form must be UTF-8", "Send the form as UTF-8.", charset)
