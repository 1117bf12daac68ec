"""Large bodies: told by their commas, and read beside others."""

import asyncio
import json
import threading

import pytest
from starlette.types import Message, Receive, Scope, Send

from taperwise.api.core import json_body
from taperwise.api.core.json_body import BodyError, StrictBodies, parse
from tests.api.asking import Client, awaited

_MOST = 400_000


def test_commas_in_a_text_are_no_values() -> None:
    """A logger's table is one value, with escaped quotes in it as well."""
    sent = {"csv": '"a\\",b"\n' * (_MOST + 1)}
    assert parse(json.dumps(sent).encode()) == sent


@pytest.mark.parametrize("more", [b"0", b'"a,b"', b'"\\""', b"[]", b"{}"])
def test_too_many_values_are_refused(more: bytes) -> None:
    """So many are read, one more is not, whatever they are."""
    assert len(parse(b"[" + b"0," * _MOST + b"0]")) == _MOST + 1
    with pytest.raises(BodyError, match="more than 400000 values") as refused:
        parse(b"[" + (more + b",") * (_MOST + 1) + more + b"]")
    assert (refused.value.status, refused.value.error.field) == (413, "body")
    assert refused.value.error.cure


@pytest.mark.parametrize(
    ("hidden", "field"), [(b"1e400", "999"), (b'"\\ud800"', "999"), (b"9" * 20, "999"), (b'[{"a": NaN}]', "999.0.a")]
)
def test_what_stands_deep_in_a_table_is_found(hidden: bytes, field: str) -> None:
    """Among a thousand sound numbers."""
    with pytest.raises(BodyError) as refused:
        parse(b"[" + b"0.5," * 999 + hidden + b"]")
    assert (refused.value.status, refused.value.error.field) == (422, field)


def test_others_are_answered_while_a_large_body_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """The large one is not done before the small one was."""
    small_is_through = threading.Event()
    real = json_body.parse

    def slow(body: bytes, most: int) -> object:
        if len(body) > 1_000_000:
            assert small_is_through.wait(20.0), "nobody else was answered"
        return real(body, most)

    monkeypatch.setattr(json_body, "parse", slow)
    seen: list[int] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        seen.append(len((await receive())["body"]))
        small_is_through.set()

    async def asked(body: bytes) -> None:
        async def receive() -> Message:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(_: Message) -> None:
            return

        scope = {"type": "http", "method": "POST", "path": "/", "headers": [(b"content-type", b"application/json")]}
        await StrictBodies(app, 10_000_000, ("/form",))(scope, receive, send)

    async def both() -> None:
        await asyncio.gather(asked(json.dumps("x" * 2_000_000).encode()), asked(b"{}"))

    awaited(both())
    assert seen == [2, 2_000_002]


def test_a_long_address_is_logged_short(client: Client, capsys: pytest.CaptureFixture[str]) -> None:
    """Enough of it to be found."""
    assert client.get("/api/v1/" + 50_000 * "x").status_code == 404
    told = capsys.readouterr()
    assert "/api/v1/xxx" in told.out + told.err
    assert len(told.out + told.err) < 2_000
