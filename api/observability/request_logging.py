"""ASGI middleware: every request is timed, traced and logged under its route's template, never under what was sent."""

import time
import uuid

import structlog
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from taperwise.api.observability.metrics import Metrics
from taperwise.api.observability.tracing import Spans

__all__ = ["RequestLogging", "route_of"]

_log = structlog.get_logger("taperwise")
_KNOWN = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

_LONGEST_PATH = 200
"""Characters of an address that are logged: somebody may send one of any length."""


def route_of(scope: Scope) -> str:
    """The template of the route that answered; ``none`` where there was none, so that nobody can invent labels."""
    path = getattr(scope.get("route"), "path", None)
    return str(path) if path else "none"


def _caller(scope: Scope) -> str:
    """Who asked, by number: a name is nobody's business who reads a log."""
    caller = scope["state"].get("caller")
    number = getattr(caller, "person_id", None)
    how = str(getattr(caller, "how", "nobody"))
    return how if number is None else f"person {number} by {how}"


class RequestLogging:
    """Gives the request its number, and tells afterwards what became of it.

    Parameters
    ----------
    figures : Figures
    spans : Spans
    """

    def __init__(self, app: ASGIApp, figures: Metrics, spans: Spans) -> None:
        self.app, self._figures, self._spans = app, figures, spans

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Watch one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request_id = scope.setdefault("state", {})["request_id"] = uuid.uuid4().hex
        begun, status = time.perf_counter(), 500
        method = scope["method"] if scope["method"] in _KNOWN else "other"

        async def told(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                ours = [(b"x-request-id", request_id.encode()), (b"x-content-type-options", b"nosniff")]
                message["headers"] = [*message["headers"], *ours]
            await send(message)

        within = Headers(scope=scope)
        with (
            structlog.contextvars.bound_contextvars(request_id=request_id),
            self._spans.span("request", within=within) as span,
        ):
            try:
                await self.app(scope, receive, told)
            finally:
                route = route_of(scope)
                seconds = time.perf_counter() - begun
                self._figures.request(method, route, status, seconds)
                span.update_name(f"{method} {route}")
                told_of = {"method": method, "route": route, "status": status, "request_id": request_id}
                span.set_attributes({f"taperwise.{key}": value for key, value in told_of.items()})
                _log.info(
                    "request", method=method, path=scope["path"][:_LONGEST_PATH], status=status,
                    seconds=round(seconds, 4), caller=_caller(scope), address=(scope.get("client") or ("socket",))[0],
                )  # fmt: skip
