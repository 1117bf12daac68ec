"""Server-sent events: a client is told that the answer is there."""

import http.client
import json
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.recommendations import events
from tests.api.asking import RUN, Client, problem
from tests.api.hurt.doors import Door, listening
from tests.api.test_served import _MOST_SECONDS, _alive, _post, _process
from tests.browser.behind_nginx import free_port

_PLACE = "/api/v1/installations/1"
_NEEDLES = {"needles": [{"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}]}


@contextmanager
def _stream(port: int, known: int | None = None) -> Iterator[http.client.HTTPResponse]:
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=30)) as connection:
        connection.request("GET", f"{_PLACE}/events", headers={} if known is None else {"Last-Event-ID": str(known)})
        yield connection.getresponse()


def _event(text: str) -> dict[str, Any]:
    """The one event of a stream, without its comments."""
    lines = [line.partition(": ") for line in text.splitlines() if line and not line.startswith(":")]
    found: dict[str, Any] = {name: said for name, _, said in lines}
    return {**found, "data": json.loads(found["data"])} if found else {}


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A service with one engine, and a worker beside it."""
    with listening(tmp_path_factory.mktemp("events")) as found:
        assert found.ask("POST", "/api/v1/installations", json.dumps(_NEEDLES).encode(), **_JSON)[0] == 201
        yield found


_JSON = {"content_type": "application/json"}


@pytest.mark.slow
def test_an_event_comes_once_a_run_is_answered(door: Door) -> None:
    """First a comment at once, then the version with the tag that the answer has; the stream ends with it."""
    with _stream(door.port) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.readline() == b": waiting\n"
        sent = json.dumps(RUN).encode()
        assert door.ask("POST", f"{_PLACE}/runs", sent, prefer="respond-async", **_JSON)[0] == 201
        event = _event(answer.read().decode())
    assert (event["event"], event["id"]) == ("suggestion", "1")
    assert event["data"]["sequence"] == event["data"]["version"] == 1
    with closing(http.client.HTTPConnection("127.0.0.1", door.port, timeout=30)) as connection:
        connection.request("GET", event["data"]["link"], headers={"If-None-Match": event["data"]["etag"]})
        assert connection.getresponse().status == 304
    with _stream(door.port) as answer:
        assert _event(answer.read().decode()) == event  # there already: told at once
    with _stream(door.port, known=1) as answer:  # and not a second time
        sent = json.dumps({"kind": "turn_screw", "turns": -0.125}).encode()
        assert door.ask("POST", f"{_PLACE}/adjustments", sent, **_JSON)[0] == 201
        assert _event(answer.read().decode())["id"] == "2"


@pytest.mark.slow
def test_streams_hold_nothing_that_others_need(door: Door) -> None:
    """Four wait, a fifth is refused; requests are answered meanwhile, and whoever goes away makes room."""
    known = int(door.ask("GET", f"{_PLACE}/suggestion")[0] == 200) + 1
    with _stream(door.port, known) as one, _stream(door.port, known) as two, _stream(door.port, known) as three:
        with _stream(door.port, known) as four:
            for each in (one, two, three, four):
                assert (each.status, each.readline()) == (200, b": waiting\n")
            with _stream(door.port, known) as fifth:
                assert (fifth.status, fifth.headers["Retry-After"]) == (429, "60")
                assert json.load(fifth)["type"] == "/problems/too-many-requests"
            for _ in range(12):  # more than there are places
                assert door.ask("GET", f"{_PLACE}/history")[0] == 200
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            with _stream(door.port, known) as again:
                if again.status == 200:
                    break
            time.sleep(0.2)
        assert again.status == 200


@pytest.mark.slow
def test_a_signal_ends_a_service_with_streams(tmp_path: Path) -> None:
    """A client that waits keeps nobody from ending the service."""
    port = free_port()
    with _process(tmp_path, "-m", "tests.api.hurt.endless_service", str(port)) as served:
        _alive(f"http://127.0.0.1:{port}", served)
        _post(f"http://127.0.0.1:{port}", "/api/v1/installations", _NEEDLES)
        with _stream(port) as answer:
            assert answer.readline() == b": waiting\n"
            begun = time.monotonic()
            served.send_signal(signal.SIGTERM)
            served.wait(timeout=60)
            assert time.monotonic() - begun < _MOST_SECONDS


def test_a_stream_without_an_answer_ends(client: Client, place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the stated time, with comments alone; HEAD is answered at once."""
    problem(client.get(f"{place}/events"), 409)  # no worker runs: nothing would ever come
    monkeypatch.setattr(events, "LONGEST_SECONDS", 0.3)
    monkeypatch.setattr(client.app.state.desk, "later", lambda _: True)  # type: ignore[attr-defined] # hidden
    begun = time.monotonic()
    assert client.get(f"{place}/events").text == ": waiting\n\n"
    assert time.monotonic() - begun >= 0.3
    monkeypatch.setattr(events, "LONGEST_SECONDS", 3600.0)
    assert client.head(f"{place}/events").status_code == 200
    client.post(f"{place}/runs", json=RUN)
    event = _event(client.get(f"{place}/events").text)
    assert event["data"]["etag"] == client.get(f"{place}/suggestion").headers["etag"]
    problem(client.get(f"{place}/events", headers={"Last-Event-ID": "first"}), 422)
    problem(client.get("/api/v1/installations/99/events"), 404)


def test_an_engine_that_goes_ends_its_stream(client: Client, place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for the answer of an engine that was deleted."""
    monkeypatch.setattr(events, "LONGEST_SECONDS", 3600.0)
    monkeypatch.setattr(client.app.state.desk, "later", lambda _: True)  # type: ignore[attr-defined] # hidden
    threading.Timer(0.5, lambda: client.delete(place)).start()
    assert client.get(f"{place}/events").text == ": waiting\n\n"
