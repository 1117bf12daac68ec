"""ASGI middleware: HEAD wherever there is GET, and `ETag` with `If-None-Match` on what clients read again and again."""

import hashlib
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["Conditional"]

_JSON = "application/json"


class Conditional:
    """Answers HEAD as GET without its body; tags what the JSON API answers to GET, and sends nothing twice.

    The tag is a digest of the answer, so it changes with every change of what is shown (RFC 9110, section 8.8.3).
    """

    def __init__(self, app: ASGIApp, under: str) -> None:
        self.app, self._under = app, under

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Go on, with a reply of our own where it is HEAD or tagged."""
        if scope["type"] != "http" or scope["method"] not in ("GET", "HEAD"):
            await self.app(scope, receive, send)
            return
        head = scope["method"] == "HEAD"
        tagged = scope["path"].startswith(self._under)
        if not head and not tagged:
            await self.app(scope, receive, send)
            return
        asked = Headers(scope=scope).get("if-none-match", "")
        reply = _Reply(send, asked, head=head, tagged=tagged)
        asking = {**scope, "method": "GET"} if head else scope
        try:
            await self.app(asking, receive, reply.send)
        finally:
            if "route" in asking:
                scope["route"] = asking["route"]  # the request is counted under it


class _Reply:
    """A reply whose body is held back until its tag is known."""

    def __init__(self, send: Send, asked: str, *, head: bool, tagged: bool) -> None:
        self._send, self._asked, self._head, self._tagged = send, asked, head, tagged
        self._start: Message | None = None
        self._body: list[bytes] = []

    async def send(self, message: Message) -> None:
        """Take a part of the reply."""
        if message["type"] == "http.response.start":
            if self._tagged and message["status"] == 200 and _is_json(message):
                self._start = message
                return
            await self._send(message)
            return
        if self._start is None:
            await self._send({**message, "body": b""} if self._head and "body" in message else message)
            return
        self._body.append(message.get("body", b""))
        if not message.get("more_body", False):
            await self._whole(self._start, b"".join(self._body))

    async def _whole(self, start: Message, body: bytes) -> None:
        headers = MutableHeaders(raw=list(start["headers"]))
        tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
        headers["ETag"] = tag
        headers.setdefault("Cache-Control", "private, no-cache")
        same = {each.strip().removeprefix("W/") for each in self._asked.split(",")}
        if tag in same or "*" in same:
            del headers["content-length"]
            await self._send({**start, "status": 304, "headers": headers.raw})
            await self._send({"type": "http.response.body", "body": b""})
            return
        await self._send({**start, "headers": headers.raw})
        await self._send({"type": "http.response.body", "body": b"" if self._head else body})


def _is_json(start: Message) -> bool:
    found: Any = Headers(raw=start["headers"]).get("content-type", "")
    return str(found).partition(";")[0] == _JSON
