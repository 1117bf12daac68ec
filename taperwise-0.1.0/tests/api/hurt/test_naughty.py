"""Bodies and texts that nobody should send, to every address: refused or taken, never a failure of the server."""

import json
from collections.abc import Iterator
from itertools import cycle
from typing import Any

import pytest

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn

NEEDLE = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
VALID: dict[str, dict[str, Any]] = {
    "/installations": {"needles": [NEEDLE]},
    "/runs": RUN,
    "/adjustments": {"kind": "turn_screw", "turns": 0.125},
    "/acknowledgements": {"cause": "a baffle"},
    "/corrections": {"reason": "twice", "void": True},
    "/notes": {"text": "look"},
    "/units": {"temperature": "degC"},
    "/prior": {"prior": "expert"},
    "/contribution": {"consent": True},
}

TEXTS = (
    "",
    " ",
    "\t\n",
    "NaN",
    "null",
    "undefined",
    "true",
    "-0",
    "1e400",
    "0x10",
    "١٢٣",
    "½",
    "𝟙",
    "\u202eevil",
    "\ufeff",
    "\u2028",
    "\ud800",
    "\udfff\ud800",
    "a\x00b",
    "\x1b[31m",
    "e\u0301" * 50,
    "Z\u0351\u036b\u0343" * 30,
    "👩‍✈️🏳️‍🌈",
    "' OR 1=1 --",
    "'; DROP TABLE entries; --",
    "<script>alert(1)</script>",
    "{{7*7}}",
    "${jndi:x}",
    "%s%n%d",
    "../../etc/passwd",
    "C:\\nul",
    "$(id)",
    "`id`",
    "A" * 10_000,
    "\u0130",
    "ﬃ",
    "=1+1",
    "__proto__",
    "constructor",
    "1/0",
    "9" * 400,
    "\r\nX-Injected: yes",
)

RAW = (
    b"",
    b" ",
    b"{",
    b"null",
    b"[]",
    b'"text"',
    b"1",
    b"NaN",
    b"-Infinity",
    b"1e400",
    b"9" * 5000,
    b"\x00",
    b"\xff\xfe",
    b"[" * 200_000,
    b'{"a":' * 200_000,
    b"[" * 200_000 + b"]" * 200_000,
    b"\xef\xbb\xbf{}",
    b"\xef\xbb\xbf\xef\xbb\xbf{}",
    '{"a": 1}'.encode("utf-16"),
    '{"a": 1}'.encode("utf-32"),
    b'{"a": "\xff"}',
    b'{"a": "\\ud800"}',
    b'{"\\ud800": 1}',
    b'{"a": "\\u0000"}',
    b'{"a": 1, "a": 2}',
    b'{"note": NaN}',
    b'{"turns": 1e400}',
    b'{"turns": -1e-400}',
    b'{"a": 1}{"b": 2}',
    b'{"a": ' + b"1" * 30_000 + b"}",
    b"{'a': 1}",
    b'{"a": 1,}',
    b"// x\n{}",
    b'{"": {"": {"": []}}}',
)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """A service that holds an installation with an entry."""
    folder = tmp_path_factory.mktemp("naughty")
    app = create_app(Settings(data_folder=folder, database_url=""), StandIn)
    app.state.desk.prepare()
    with Client(app, raise_server_exceptions=False) as client:
        client.post("/api/v1/installations", json={"needles": [NEEDLE]})
        client.post("/api/v1/installations/1/runs", json=RUN)
        yield client


def _operations(client: Client) -> list[tuple[str, str, dict[str, Any]]]:
    paths = client.get("/openapi.json").json()["paths"]
    found = [(method.upper(), path, said) for path, item in paths.items() for method, said in item.items()]
    assert len(found) >= 25
    return found


def _filled(path: str) -> str:
    return path.replace("{installation_id}", "1").replace("{sequence}", "1")


def _clear(answer: Any, *about: Any) -> None:
    assert answer.status_code < 500, (about, answer.text[:500])
    if answer.status_code >= 400:
        assert answer.headers["content-type"] == "application/problem+json", about
        assert len(answer.content) < 20_000, about
        assert answer.json()["status"] == answer.status_code


@pytest.mark.slow
def test_raw_bodies(served: Client) -> None:
    """Whatever bytes come as a body, under a right and a wrong type."""
    for method, path, said in _operations(served):
        if "requestBody" not in said:
            continue
        for body in RAW:
            for kind in ("application/json", "application/json; charset=utf-16", "text/plain", ""):
                answer = served.request(method, _filled(path), content=body, headers={"content-type": kind})
                _clear(answer, method, path, body[:40], kind)
                assert answer.status_code >= 400 or kind.startswith("application/json")


@pytest.mark.slow
def test_a_body_of_ten_megabytes(served: Client) -> None:
    """Large, in one text, in many items or in none: refused in few words, by every operation one of them."""
    large = [b'{"note": "' + b"x" * 10_000_000 + b'"}', b"[" + b"0," * 5_000_000 + b"0]", b" " * 10_000_000]
    taking = [(method, path) for method, path, said in _operations(served) if "requestBody" in said]
    assert len(taking) > 2 * len(large)
    for (method, path), body in zip(taking, cycle(large), strict=False):
        answer = served.request(method, _filled(path), content=body, headers={"content-type": "application/json"})
        _clear(answer, method, path, body[:20])
        assert answer.status_code in (400, 413, 422)


def _everywhere(document: Any, text: str) -> Iterator[Any]:
    """The document with the text in the place of every value and of every name, one at a time."""
    yield text
    if isinstance(document, dict):
        for name, value in document.items():
            for inner in _everywhere(value, text):
                yield {**document, name: inner}
            yield {**{n: v for n, v in document.items() if n != name}, text: value}
        yield {**document, text: text}
    if isinstance(document, list):
        yield [*document, text]
        for i, value in enumerate(document):
            for inner in _everywhere(value, text):
                yield [*document[:i], inner, *document[i + 1 :]]


_PARTS = [pytest.param(TEXTS[part::4], id=f"every fourth from {part}") for part in range(4)]


@pytest.mark.slow
@pytest.mark.both
@pytest.mark.thorough
@pytest.mark.parametrize("texts", _PARTS)
def test_texts_in_every_field(served: Client, texts: tuple[str, ...]) -> None:
    """In the place of any value, and as the name of any field, of a body that would otherwise do."""
    for method, path, said in _operations(served):
        sent = next((body for end, body in VALID.items() if path.endswith(end)), {"contents": {}, "seal": "x"})
        if "requestBody" not in said:
            continue
        for text in texts:
            for body in _everywhere(sent, text):
                raw = json.dumps(body).encode()
                answer = served.request(
                    method, _filled(path), content=raw, headers={"content-type": "application/json"}
                )
                _clear(answer, method, path, raw[:200])
    assert served.get("/api/v1/installations/1/history").status_code == 200
    assert "<script>alert(1)</script>" not in served.get("/desk").text + served.get("/installations/1/history").text


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("texts", _PARTS)
def test_texts_in_addresses_and_headers(served: Client, texts: tuple[str, ...]) -> None:
    """As a number in an address, as any parameter, as any header that is read."""
    from urllib.parse import quote

    for method, path, said in _operations(served):
        body = next((b for end, b in VALID.items() if path.endswith(end)), {})
        with_body = {"json": body} if "requestBody" in said else {}
        for text in texts:
            raw = text.encode("utf-8", "surrogatepass")
            for name in [p["name"] for p in said.get("parameters", []) if p["in"] == "query"]:
                _clear(served.request(method, f"{_filled(path)}?{name}={quote(raw)}", **with_body), path, name, text)
            if "{" in path and text not in ("", " ", "\t\n"):
                where = path.replace("{installation_id}", quote(raw, safe="")).replace(
                    "{sequence}", quote(raw, safe="")
                )
                _clear(served.request(method, where, **with_body), path, text)
            for name in [p["name"] for p in said.get("parameters", []) if p["in"] == "header"]:
                value = raw.replace(b"\r", b"").replace(b"\n", b"").replace(b"\x00", b"")[:5000]
                answer = served.request(method, _filled(path), headers=[(name.encode(), value)], **with_body)
                _clear(answer, path, name, text)
