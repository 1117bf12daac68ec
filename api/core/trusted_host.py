"""Only names of this machine are answered: without keys, a page from elsewhere must not reach the service."""

from starlette.datastructures import Headers
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

from taperwise.api.core.problems import problem
from taperwise.api.core.validation_errors import FieldError, shown

__all__ = ["OnlyThisMachine"]

_NAMES = ("localhost", "127.0.0.1", "[::1]")


class OnlyThisMachine:
    """ASGI middleware: a request under any other host name is refused, with a problem document.

    A name that somebody else owns can be pointed at this machine after a page was loaded from it; the
    browser would then let that page read and write here. Such a request carries the foreign name.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let Starlette check the host, then go on; its own refusal is not sent."""
        known = False

        async def note(*_request: object) -> None:
            nonlocal known
            known = True

        async def drop(_message: object) -> None:
            pass

        await TrustedHostMiddleware(note, _NAMES)(scope, receive, drop)
        await (self.app if known else _refuse)(scope, receive, send)


async def _refuse(scope: Scope, receive: Receive, send: Send) -> None:
    cure = f"Use one of {', '.join(_NAMES)}."
    host = Headers(scope=scope).get("host", "")
    one = FieldError(
        field="host", value=shown(host), message="This host name does not belong to this machine", cure=cure
    )
    response = problem(421, "Unknown host name", f"host: {one.message} (got {one.value}). {cure}", [one])
    await response(scope, receive, send)
