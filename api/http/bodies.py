"""Bodies are read here before anything else: small enough, UTF-8, strict JSON, or a problem document."""

import json
import math
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import FieldError, problem, shown

__all__ = ["StrictBodies", "parse"]

_DEEPEST = 32


class BodyError(Exception):
    """A body that cannot be read; carries the status of the answer."""

    def __init__(self, status: int, detail: str, errors: list[FieldError] | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.errors = errors


class _NotANumber(str):
    """A number that is none, kept as written until its place in the body is known."""


def _finite(text: str) -> float | _NotANumber:
    value = float(text)
    return value if math.isfinite(value) else _NotANumber(text)


def _whole(text: str) -> int | _NotANumber:
    return int(text) if len(text) <= 19 else _NotANumber(text)


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise BodyError(400, f"The field {shown(name)} stands twice. Keep one of the two.")
        found[name] = value
    return found


def _clean(value: Any, path: tuple[str, ...] = ()) -> None:
    if len(path) > _DEEPEST:
        raise BodyError(400, "The body is nested too deeply.")
    if isinstance(value, _NotANumber):
        raise _refused(path, value, "this is not a finite number", "Give a finite number, or leave the field out.")
    if isinstance(value, str):
        if "\x00" in value or any("\ud800" <= c <= "\udfff" for c in value):
            raise _refused(path, value, "the text holds a character that is not text", "Type it anew.")
    elif isinstance(value, dict):
        for name, inner in value.items():
            _clean(name, path)
            _clean(inner, (*path, name))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            _clean(inner, (*path, str(i)))


def _refused(path: tuple[str, ...], value: str, message: str, cure: str) -> BodyError:
    one = FieldError(field=shown(".".join(path)), value=shown(str(value)), message=message, cure=cure)
    return BodyError(422, f"{one.field}: {message} (got {one.value}). {cure}", [one])


def parse(body: bytes) -> Any:
    """Read strict JSON.

    Raises
    ------
    BodyError
        For anything but UTF-8 JSON with finite numbers, single fields and clean text.
    """
    try:
        value = json.loads(
            body.decode("utf-8-sig"),
            parse_constant=_NotANumber,
            parse_float=_finite,
            parse_int=_whole,
            object_pairs_hook=_no_twice,
        )
    except (ValueError, RecursionError) as error:
        raise BodyError(400, f"The body is not JSON that can be read: {shown(str(error))}.") from None
    _clean(value)
    return value


class StrictBodies:
    """ASGI middleware: reads, checks and hands on the body of every request that has one."""

    def __init__(self, app: ASGIApp, max_bytes: int) -> None:
        self.app = app
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check the body, then go on."""
        if scope["type"] != "http" or scope["method"] not in ("POST", "PUT", "PATCH"):
            await self.app(scope, receive, send)
            return
        try:
            headers = {name.lower(): value for name, value in scope["headers"]}
            body = await _read(receive, self.max_bytes)
            kind = headers.get(b"content-type", b"application/json").split(b";")[0].strip().lower()
            if kind != b"application/json":
                raise BodyError(415, f"Send JSON (application/json), not {shown(kind.decode('latin-1'))}.")
            clean = json.dumps(parse(body)).encode()
        except BodyError as error:
            response = problem(error.status, "The body cannot be used", error.detail, error.errors)
            await response(scope, receive, send)
            return
        await self.app(_with_length(scope, len(clean)), _replay(clean, receive), send)


async def _read(receive: Receive, most: int) -> bytes:
    chunks: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise BodyError(400, "The connection closed before the body was whole.")
        chunks.append(message.get("body", b""))
        size += len(chunks[-1])
        if size > most:
            raise BodyError(413, f"The body is larger than {most} bytes. Send less at a time.")
        if not message.get("more_body", False):
            return b"".join(chunks)


def _with_length(scope: Scope, length: int) -> Scope:
    kept = [(n, v) for n, v in scope["headers"] if n.lower() not in (b"content-length", b"content-type")]
    return {
        **scope,
        "headers": [*kept, (b"content-length", str(length).encode()), (b"content-type", b"application/json")],
    }


def _replay(body: bytes, receive: Receive) -> Receive:
    sent = False

    async def again() -> Message:
        nonlocal sent
        if sent:
            return await receive()
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
