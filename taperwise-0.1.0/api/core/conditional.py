"""HEAD wherever there is GET; `ETag`, `If-None-Match` on what clients read again and again, and `If-Match` on edits."""

import hashlib
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Header
from pydantic import BaseModel
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from taperwise.shared.errors import ChangedSinceError

__all__ = ["Conditional", "IfMatch", "Precondition", "tag_of"]

_JSON = "application/json"


def tag_of(shown: BaseModel) -> str:
    """The strong tag of what is shown (RFC 9110, section 8.8.3), for GET and for edits of the same thing."""
    return _tag(shown.model_dump_json().encode())


def _tag(body: bytes) -> str:
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


@dataclass(frozen=True)
class Precondition:
    """What an edit says of the state that it rests on (RFC 9110, section 13.1.1).

    Parameters
    ----------
    sent : str or None
        The header `If-Match`; None where every state will do.
    """

    sent: str | None

    def hold(self, shown: BaseModel) -> None:
        """Compare with what holds now. To be called inside the transaction of the edit, with the row locked.

        Raises
        ------
        ChangedSinceError
            If it is none of the states named; a weak tag is none.
        """
        named = None if self.sent is None else {each.strip() for each in self.sent.split(",")}
        if named is not None and not named & {"*", tag_of(shown)}:
            raise ChangedSinceError(
                "This was changed since you read it", field="If-Match", value=self.sent,
                cure="Read it again, then decide.",
            )  # fmt: skip


async def _if_match(
    if_match: Annotated[
        str | None,
        Header(
            alias="If-Match", max_length=1000,
            description="`ETag` of what you read. If it was changed since, nothing is stored. Null: no comparison.",
        ),
    ] = None,
) -> Precondition:  # fmt: skip
    return Precondition(if_match)


IfMatch = Annotated[Precondition, Depends(_if_match)]
"""What an edit may say of the state that it rests on."""


class Conditional:
    """Answers HEAD as GET without its body; tags what the JSON API answers to GET, and sends nothing twice.

    The tag is a digest of the answer, so it changes with every change of what is shown (RFC 9110, section 8.8.3). What
    can be edited brings its own along, which is `tag_of` what is shown.
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
        asking = {**scope, "method": "GET", "head": True} if head else scope
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
        tag = headers.setdefault("ETag", _tag(body))
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
