"""Forms are taken from our own pages only, and no larger than a body may be."""

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import problem
from api.http.refusals import FieldError, shown

__all__ = ["FORMS_UNDER", "OwnForms"]

FORMS_UNDER = "/installations"
"""Every form is posted to an address that begins so."""

_KINDS = ("application/x-www-form-urlencoded", "multipart/form-data")


class OwnForms:
    """ASGI middleware: a form that a page from elsewhere posts, or one that is too large, is refused.

    A browser says where a form comes from, in `Sec-Fetch-Site` or at least in `Origin`; what sends neither is no
    browser, and carries nobody's rights.
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
        wrong = _foreign(headers) or _no_form(headers)
        body = b"" if wrong else await _read(receive, self.max_bytes)
        if body is None:
            wrong = (413, _one("body", f"over {self.max_bytes} bytes", "it is too large", "Send less at a time."))
        if wrong or body is None:
            status, one = wrong or (413, _one("body", "", "it is too large", ""))
            detail = f"{one.field}: {one.message} (got {one.value}). {one.cure}"
            await problem(status, "The form cannot be used", detail, [one])(scope, receive, send)
            return
        await self.app(scope, _replay(body, receive), send)


def _one(field: str, value: str, message: str, cure: str) -> FieldError:
    return FieldError(field=field, value=shown(value), message=message, cure=cure)


def _foreign(headers: Headers) -> tuple[int, FieldError] | None:
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None:
        own = site in ("same-origin", "none")
    else:
        own = origin is None or origin.partition("://")[2] == headers.get("host")
    if own:
        return None
    return 403, _one("origin", origin or site or "", "this form comes from elsewhere", "Open the page itself.")


def _no_form(headers: Headers) -> tuple[int, FieldError] | None:
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind in _KINDS:
        return None
    return 415, _one("content-type", kind or "nothing", "this is no form", "JSON goes to the addresses under /api/v1.")


async def _read(receive: Receive, most: int) -> bytes | None:
    chunks: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return b"".join(chunks)
        chunks.append(message.get("body", b""))
        size += len(chunks[-1])
        if size > most:
            return None
        if not message.get("more_body", False):
            return b"".join(chunks)


def _replay(body: bytes, receive: Receive) -> Receive:
    sent = False

    async def again() -> Message:
        nonlocal sent
        if sent:
            return await receive()
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
