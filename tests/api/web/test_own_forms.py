"""Forms as they come in: whole, or not at all."""

import codecs
from typing import Any

import pytest

from taperwise.api.web.csrf import OwnForms
from tests.api.asking import Client, awaited


def test_a_form_cut_off_on_its_way_reaches_nobody() -> None:
    """A connection that closes half-way is answered as such: half a form would be recorded as if it were whole."""
    reached: list[str] = []
    said: list[dict[str, Any]] = []
    half = iter([{"type": "http.request", "body": b"seen=peak&ris", "more_body": True}, {"type": "http.disconnect"}])

    async def app(scope: Any, receive: Any, send: Any) -> None:
        reached.append(scope["path"])

    async def receive() -> Any:
        return next(half)

    async def send(message: Any) -> None:
        said.append(message)

    headers = [(b"content-type", b"application/x-www-form-urlencoded")]
    scope = {"type": "http", "method": "POST", "path": "/installations/1/run", "headers": headers}
    awaited(OwnForms(app, 1000)(scope, receive, send))
    assert reached == []
    assert said[0]["status"] == 400
    assert b"The connection closed before the whole body arrived" in said[1]["body"]


@pytest.mark.parametrize(
    ("charset", "status"),
    [("utf-8", 303), ('"UTF-8"', 303), ("utf8", 303), ("punycode", 415), ("unicode_escape", 415), ("utf-7", 415),
     ("utf-16", 415), ("latin-1", 415), ("hex", 415), ("", 415), ("utf-8-sig", 415)],
)  # fmt: skip
def test_forms_come_in_one_character_set(client: Client, home: str, charset: str, status: int) -> None:
    """Punycode takes a time that grows with the square of the text, others make lone surrogates, which are no text."""
    text = b"z" * 200_000 if charset == "punycode" else b"look \\ud800 +2AA-"
    body = b'--b\r\nContent-Disposition: form-data; name="text"\r\n\r\n%s\r\n--b--\r\n' % text
    kind = f"multipart/form-data; boundary=b; charset={charset}"
    answer = client.post(f"{home}/notes", content=body, headers={"content-type": kind}, follow_redirects=False)
    assert answer.status_code == status, answer.text


def test_no_other_character_set_is_tried(client: Client, home: str) -> None:
    """A codec that the interpreter knows is not even looked at."""
    looked: list[str] = []

    def search(name: str) -> codecs.CodecInfo | None:
        looked.append(name)
        return codecs.lookup("utf-8") if name == "slow_as_squares" else None

    codecs.register(search)
    try:
        body = b'--b\r\nContent-Disposition: form-data; name="text"\r\n\r\nz\r\n--b--\r\n'
        kind = "multipart/form-data; boundary=b; charset=slow_as_squares"
        assert client.post(f"{home}/notes", content=body, headers={"content-type": kind}).status_code == 415
        assert "slow_as_squares" not in looked
        assert codecs.lookup("slow_as_squares").name == "utf-8"  # it would have been found
    finally:
        codecs.unregister(search)


@pytest.mark.parametrize(("accept", "kind"), [("text/html,*/*", "text/html"), ("*/*", "application/problem+json")])
def test_a_form_too_large_is_told_as_its_sender_reads(client: Client, home: str, accept: str, kind: str) -> None:
    """A browser without scripts shows what it gets: words, not a document for programs."""
    headers = {"content-type": "application/x-www-form-urlencoded", "accept": accept}
    many = "&".join(f"a{i}=1" for i in range(500))
    answer = client.post(f"{home}/notes", content=many, headers=headers, follow_redirects=False)
    assert answer.status_code == 413
    assert answer.headers["content-type"].startswith(kind)
    assert "The form has more than 400 fields" in answer.text
    assert "Open the page again and fill the form in there." in answer.text
    assert ("<h1" in answer.text) is (kind == "text/html")
