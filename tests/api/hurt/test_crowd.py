"""A crowd at the door: as many requests as there are, written at the same instant over connections of their own."""

import asyncio
import json
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import pytest

from tests.api.asking import awaited
from tests.api.hurt.doors import Door, listening

pytestmark = pytest.mark.slow

_AT = "/api/v1/installations"
_NEEDLE = {"label": "the only one", "taper_slope": {"value": 30.0, "unit": "mm/m"}}
_RUN = {
    "air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"},
    "egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "delta_degF"}},
}  # fmt: skip


class Answered(NamedTuple):
    """One answer."""

    status: int
    retry_after: str | None
    seconds: float
    text: str


class Crowd(NamedTuple):
    """What became of a crowd, and the longest that anybody waited for the answer that the service is well."""

    answers: list[Answered]
    health_waited: float

    def count(self) -> Counter[int]:
        """How many got which status."""
        return Counter(each.status for each in self.answers)


def _raw(method: str, path: str, body: object = None) -> bytes:
    sent = b"" if body is None else json.dumps(body).encode()
    lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", "Connection: close", "Prefer: respond-async"]
    if method != "GET":
        lines += [
            "Content-Type: application/json", f"Content-Length: {len(sent)}", f"Idempotency-Key: {uuid.uuid4().hex}",
        ]  # fmt: skip
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + sent


async def _ask(port: int, request: bytes, there: asyncio.Semaphore, gate: asyncio.Event) -> Answered:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    there.release()
    await gate.wait()
    begun = time.perf_counter()
    writer.write(request)
    whole = await asyncio.wait_for(reader.read(), 120)
    writer.close()
    head, _, text = whole.partition(b"\r\n\r\n")
    lines = head.decode().lower().split("\r\n")
    named = dict(line.split(": ", 1) for line in lines[1:])
    return Answered(int(lines[0].split()[1]), named.get("retry-after"), time.perf_counter() - begun, text.decode())


async def _all_at_once(port: int, requests: list[bytes]) -> list[Answered]:
    there, gate = asyncio.Semaphore(0), asyncio.Event()
    asking = [asyncio.create_task(_ask(port, each, there, gate)) for each in requests]
    for _ in requests:
        await there.acquire()
    gate.set()
    return await asyncio.gather(*asking)


def _crowd(door: Door, requests: list[bytes]) -> Crowd:
    """All of them written at once, while somebody asks all the time whether the service is well."""
    done, waited = threading.Event(), [0.0]

    def others() -> None:
        while not done.is_set():
            begun = time.perf_counter()
            assert door.ask("GET", "/healthz")[0] == 200
            waited.append(time.perf_counter() - begun)
            done.wait(0.02)

    beside = threading.Thread(target=others)
    beside.start()
    try:
        answers = awaited(_all_at_once(door.port, requests))
    finally:
        done.set()
        beside.join()
    return Crowd(answers, max(waited))


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A service with an installation and a run."""
    with listening(tmp_path_factory.mktemp("crowd")) as made:
        typed = {"Content_Type": "application/json"}
        assert made.ask("POST", _AT, json.dumps({"needles": [_NEEDLE]}).encode(), **typed)[0] == 201
        assert made.ask("POST", f"{_AT}/1/runs", json.dumps(_RUN).encode(), **typed)[0] == 201
        yield made


_KINDS: dict[str, Callable[[int], bytes]] = {
    "histories": lambda _: _raw("GET", f"{_AT}/1/history"),
    "units": lambda _: _raw("PUT", f"{_AT}/1/units", {}),
    "lists": lambda _: _raw("GET", _AT),
    "runs": lambda _: _raw("POST", f"{_AT}/1/runs", _RUN),
    "suggestions": lambda _: _raw("GET", f"{_AT}/1/suggestion"),
    "pages": lambda _: _raw("GET", "/installations/1"),
    "ready": lambda _: _raw("GET", "/readyz"),
}


def _is_honest(each: Answered) -> bool:
    """Answered, or refused before any work began, with when to come back."""
    if each.status == 503:
        return "Too many requests wait" in each.text and int(each.retry_after or 0) >= 1
    return each.status in (200, 201, 202)


@pytest.mark.parametrize("kind", _KINDS)
def test_a_hundred_at_once_are_all_answered(door: Door, kind: str) -> None:
    """More than there are threads or connections: nobody holds what another one waits for, so the database answers.

    A machine that is busy with other things may refuse some of them, before any work on them began.
    """
    crowd = _crowd(door, [_KINDS[kind](i) for i in range(100)])
    assert [each for each in crowd.answers if not _is_honest(each)] == []
    assert crowd.count()[503] < 90


@pytest.mark.parametrize("kind", ["notes", "installations"])
def test_a_thousand_writers_lose_nothing_and_double_nothing(door: Door, kind: str) -> None:
    """Each is stored once and answered 201, or refused with the time to try again; what is stored is what was told."""
    mark = uuid.uuid4().hex
    path, field = (f"{_AT}/1/notes", "text") if kind == "notes" else (_AT, "name")
    whole: dict[str, Any] = {} if kind == "notes" else {"needles": [_NEEDLE]}
    crowd = _crowd(door, [_raw("POST", path, {**whole, field: f"{mark} {i}"}) for i in range(1000)])
    assert [each for each in crowd.answers if not _is_honest(each)] == []
    told = [json.loads(each.text) for each in crowd.answers if each.status == 201]
    named = sorted(each[field] if kind == "notes" else each["installation"][field] for each in told)
    assert named == _stored(door, kind, mark)
    assert len(set(named)) == len(named)


def _stored(door: Door, kind: str, mark: str) -> list[str]:
    found: list[str] = []
    after = "?limit=200"
    while kind == "notes":
        page = json.loads(door.ask("GET", f"{_AT}/1/notes{after}")[1])
        found += [each["text"] for each in page["notes"] if mark in each["text"]]
        if page["next"] is None:
            return sorted(found)
        after = f"?limit=200&cursor={page['next']}"
    while True:
        page = json.loads(door.ask("GET", f"{_AT}?limit=200&offset={len(found)}&name={mark}")[1])
        found += [each["installation"]["name"] for each in page["installations"]]
        if len(found) >= page["total"]:
            return sorted(found)


@pytest.mark.thorough(daily=False)
def test_a_crowd_keeps_nobody_waiting_for_a_refusal(door: Door) -> None:
    """On an idle machine: refusals within two seconds, and the service says that it is well within half a second."""
    for make in _KINDS.values():
        crowd = _crowd(door, [make(i) for i in range(1000)])
        assert all(_is_honest(each) for each in crowd.answers)
        assert max((each.seconds for each in crowd.answers if each.status == 503), default=0.0) < 2.0
        assert crowd.health_waited < 0.5


def test_the_next_one_after_a_crowd_is_served(door: Door) -> None:
    """Whoever goes away while waiting in line leaves no place taken."""

    async def go_away() -> None:
        for _ in range(60):
            _, writer = await asyncio.open_connection("127.0.0.1", door.port)
            writer.write(_raw("GET", f"{_AT}/1/history"))
            writer.transport.abort()

    awaited(go_away())
    for _ in range(20):  # five times as many as there are places
        while (status := door.ask("GET", f"{_AT}/1/history")[0]) == 503:
            time.sleep(0.5)  # they are still in line
        assert status == 200
