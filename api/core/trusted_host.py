"""Only names of this machine are answered: without keys, a page from elsewhere must not reach the service."""

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from taperwise.api.core.problems import problem
from taperwise.api.core.validation_errors import FieldError, shown

__all__ = ["OnlyThisMachine"]

_NAMES = ("localhost", "127.0.0.1", "[::1]")


class OnlyThisMachine:
    """ASGI middleware: a request under any other host name is refused.

    A name that somebody else owns can be pointed at this machine after a page was loaded from it; the
    browser would then let that page read and write here. Such a request carries the foreign name.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check the host, then go on."""
        host = Headers(scope=scope).get("host", "") if scope["type"] == "http" else "localhost"
        name = host if host.endswith("]") else host.rpartition(":")[0] or host
        if name.lower() in _NAMES:
            await self.app(scope, receive, send)
            return
        cure = f"Use one of {', '.join(_NAMES)}."
        one = FieldError(field="host", value=shown(host), message="this is not a name of this machine", cure=cure)
        response = problem(421, "Not a name of this machine", f"host: {one.message} (got {one.value}). {cure}", [one])
        await response(scope, receive, send)
