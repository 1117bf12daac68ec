"""ASGI middleware: pages show figures with the decimal sign of the language that a browser asks for."""

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from taperwise.api.presentation.decimal_sign import of_languages
from taperwise.api.presentation.digits import read_with

__all__ = ["DecimalSigns"]


class DecimalSigns:
    """Sets the sign for each request: a point for all that is not for people, whatever is asked for.

    Parameters
    ----------
    but_under : str
        Where paths begin that answer programs.
    """

    def __init__(self, app: ASGIApp, but_under: str) -> None:
        self.app, self._but_under = app, but_under

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Go on, and say of pages that they depend on the language."""
        if scope["type"] != "http" or scope["path"].startswith(self._but_under):
            with read_with("."):
                await self.app(scope, receive, send)
            return

        async def varied(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if headers.get("content-type", "").startswith(("text/html", "application/pdf")):
                    headers.add_vary_header("Accept-Language")
            await send(message)

        with read_with(of_languages(Headers(scope=scope).get("accept-language", ""))):
            await self.app(scope, receive, varied)
