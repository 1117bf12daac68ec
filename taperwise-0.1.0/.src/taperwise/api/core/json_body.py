"""Bodies are read here before anything else: small enough, UTF-8, strict JSON, or a problem document."""

import codecs
import json
import math
import re
from collections import Counter
from typing import Any

from anyio import to_thread
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from taperwise.api.core.problems import problem
from taperwise.api.core.validation_errors import FieldError, shown

__all__ = ["MOST_VALUES", "BodyError", "StrictBodies", "parse", "read_whole", "replayed"]

_DEEPEST = 32
MOST_VALUES = 400_000
"""Values of the largest document: a parcel with 10,000 entries, of which a run has about twenty."""

_MOST_ELSEWHERE = 20_000  # values of any other body: the largest, an installation with 24 needles, has some hundreds
_MOST_NAMES = 500  # of one object; none that is known has a hundred, and each one that is not becomes an error
_SHORT = 64 * 1024  # bytes read at once; more of them are read beside, while the service goes on with others
_TEXT = re.compile(rb'"(?:[^"\\]++|\\.)*+"?', re.DOTALL)
_PLAIN = (float, int, bool, type(None))
_NO_TEXT = re.compile("[\x00\ud800-\udfff]")


class BodyError(Exception):
    """A body that cannot be read; carries the status of the answer and the one thing that is wrong."""

    def __init__(self, status: int, field: str, message: str, cure: str, value: str = "") -> None:
        super().__init__(message)
        self.status = status
        self.error = FieldError(field=shown(field), value=shown(value), message=message, cure=cure)

    def detail(self) -> str:
        """All of it in one line."""
        seen = f" (got {self.error.value})" if self.error.value else ""
        return f"{self.error.field}: {self.error.message}{seen}. {self.error.cure}"


class _NotANumber(str):
    """A number that is none, kept as written until its place in the body is known."""


def _finite(text: str) -> float | _NotANumber:
    value = float(text)
    return value if math.isfinite(value) else _NotANumber(text)


def _whole(text: str) -> int | _NotANumber:
    return int(text) if len(text) <= 19 else _NotANumber(text)


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(pairs) > _MOST_NAMES:
        problem = f"An object in it has more than {_MOST_NAMES} fields"
        raise BodyError(413, "body", problem, "Send the fields that /docs lists.")
    found = dict(pairs)
    if len(found) < len(pairs):
        ((name, _),) = Counter(name for name, _ in pairs).most_common(1)
        raise BodyError(400, name, "This field occurs twice", "Keep one of the two.")
    return found


def _few(body: bytes, most: int) -> None:
    """A body may be millions of noughts; that is seen by its commas, before a value of it is read.

    Texts are passed over one by one, and others are served between them; no more of them are than may stand in it.
    """
    if body.count(b",") <= most:
        return
    commas = texts = at = 0  # re.subn lets nobody else in: test_what_hurts_is_refused_at_once[names in a parcel]
    for text in _TEXT.finditer(body):
        commas += body.count(b",", at, text.start())
        texts, at = texts + 1, text.end()
        if commas > most or texts > 2 * most:  # each value may have a name
            break
    else:
        commas += body.count(b",", at)
    if commas > most or texts > 2 * most:
        raise BodyError(413, "body", f"The body has more than {most} values", "Send less in one request.")


def _clean(value: Any, path: tuple[str, ...] = ()) -> None:
    if len(path) > _DEEPEST:
        raise BodyError(400, "body", "The body is nested too deeply", "Send the fields that /docs lists.")
    if isinstance(value, _NotANumber):
        raise _refused(path, value, "This is not a finite number", "Give a finite number, or leave the field out.")
    if isinstance(value, str):
        if _NO_TEXT.search(value):
            raise _refused(path, value, "The text has a character that cannot be stored", "Type the text again.")
    elif isinstance(value, dict):
        for name, inner in value.items():
            if _NO_TEXT.search(name):
                _clean(name, path)
            if type(inner) not in _PLAIN:
                _clean(inner, (*path, name))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            if type(inner) not in _PLAIN:  # clean as they are; a table may hold very many
                _clean(inner, (*path, str(i)))


def _refused(path: tuple[str, ...], value: str, message: str, cure: str) -> BodyError:
    return BodyError(422, ".".join(path) or "body", message, cure, str(value))


def parse(body: bytes, most: int = MOST_VALUES) -> Any:
    """Read strict JSON of at most so many values.

    Raises
    ------
    BodyError
        For anything but UTF-8 JSON with finite numbers, single fields and clean text, and not too many of them.
    """
    _few(body, most)
    try:  # pydantic_core.from_json takes a field that stands twice: test_refusals.py::test_raw_bodies
        value = json.loads(
            body.decode("utf-8-sig"),
            parse_constant=_NotANumber,
            parse_float=_finite,
            parse_int=_whole,
            object_pairs_hook=_no_twice,
        )
    except (ValueError, RecursionError) as error:
        cure = "Send one JSON object in UTF-8."
        raise BodyError(400, "body", f"This is not valid JSON: {shown(str(error))}", cure) from None
    _clean(value)
    return value


class StrictBodies:
    """ASGI middleware: reads, checks and hands on the body of every request that has one.

    Parameters
    ----------
    max_bytes : int
    but_under : tuple of str
        Addresses that begin so take forms, which are checked elsewhere.
    large_at : tuple of str
        Addresses that take documents of up to `MOST_VALUES` values.
    """

    def __init__(
        self, app: ASGIApp, max_bytes: int, but_under: tuple[str, ...], large_at: tuple[str, ...] = ()
    ) -> None:
        self.app = app
        self.large_at = large_at
        self.max_bytes = max_bytes
        self.but_under = but_under

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check the body, then go on."""
        has_body = scope["type"] == "http" and scope["method"] in ("POST", "PUT", "PATCH")
        if not has_body or scope["path"].startswith(self.but_under) or _is_bare(scope):
            await self.app(scope, receive, send)
            return
        try:
            _is_json(scope)
            body = await read_whole(receive, self.max_bytes)
            most = MOST_VALUES if scope["path"] in self.large_at else _MOST_ELSEWHERE
            if len(body) <= _SHORT:
                parse(body, most)
            else:
                await to_thread.run_sync(parse, body, most)
        except BodyError as error:
            response = problem(error.status, "The body cannot be used", error.detail(), [error.error])
            await response(scope, receive, send)
            return
        clean = body.removeprefix(codecs.BOM_UTF8)  # no name stands twice in it, so the next reader finds the same
        headers = MutableHeaders(scope=scope)  # in place: who stands outside sees which route it came to
        headers["content-length"], headers["content-type"] = str(len(clean)), "application/json"
        await self.app(scope, replayed(clean, receive), send)


def _is_bare(scope: Scope) -> bool:
    """A PUT whose address says it all; no page from elsewhere can send one unasked (Fetch standard, CORS-safelist)."""
    headers = Headers(scope=scope)
    unasked = "transfer-encoding" in headers or "content-type" in headers
    return scope["method"] == "PUT" and headers.get("content-length", "0") == "0" and not unasked


def _is_json(scope: Scope) -> None:
    """A body without a type is refused too: a page elsewhere could send one unasked."""
    kind = Headers(scope=scope).get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise BodyError(
            415, "content-type", "The body must be JSON", "Send JSON as application/json.", kind or "nothing"
        )


async def read_whole(receive: Receive, most: int) -> bytes:
    """The body, once all of it is there.

    Raises
    ------
    BodyError
        If the connection closed before, or if it is larger than `most` bytes.
    """
    body = bytearray()
    try:
        async for chunk in Request({"type": "http"}, receive).stream():
            body += chunk
            if len(body) > most:
                raise BodyError(
                    413,
                    "body",
                    f"The body is larger than {most} bytes",
                    "Send less in one request.",
                    f"over {most} bytes",
                )
    except ClientDisconnect:
        raise BodyError(
            400, "body", "The connection closed before the whole body arrived", "Send the request again."
        ) from None
    return bytes(body)


def replayed(body: bytes, receive: Receive) -> Receive:
    """A body already read, for whoever reads it next."""
    sent = False

    async def again() -> Message:
        nonlocal sent
        if sent:
            return await receive()
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
