"""The service as those who run it start and end it: by its own command, by another server program, with a signal."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.request import HTTPCookieProcessor, Request, build_opener, urlopen

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import func, select

from taperwise.api.accounts.tables import Person
from taperwise.api.cli.asgi import LAST_SECONDS
from taperwise.api.cli.fleet import fill
from taperwise.api.cli.phone import for_phones
from taperwise.api.core.database import Database, Entry, Installation
from taperwise.api.core.front_door import OnlyProxies, UnderPrefix
from taperwise.api.core.front_door import install as install_door
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import ConflictError, InvalidValueError
from tests.api.asking import RUN
from tests.browser.behind_nginx import free_port

_ROOT = Path(__file__).parents[2]
_MOST_SECONDS = 8.0


@contextmanager
def _process(folder: Path, *command: str, **more: str) -> Iterator["subprocess.Popen[str]"]:
    env = {**os.environ, "TAPERWISE_DATA_FOLDER": str(folder), **more}
    started = subprocess.Popen(
        [sys.executable, *command], env=env, cwd=_ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        yield started
    finally:
        if started.poll() is None:
            started.kill()
        started.communicate(timeout=30)


def _alive(address: str, process: "subprocess.Popen[str]", seconds: float = 600.0) -> None:
    deadline = time.monotonic() + seconds
    while True:
        assert process.poll() is None, process.communicate()[0]
        try:
            with urlopen(f"{address}/healthz", timeout=5) as answer:  # noqa: S310 - our own service
                assert json.load(answer) == {"status": "alive"}
                return
        except (URLError, TimeoutError):
            assert time.monotonic() < deadline
            time.sleep(0.1)


def _post(address: str, path: str, body: object, patience: float = 120.0) -> object:
    headers = {
        "content-type": "application/json",
        "idempotency-key": f"key{path.replace('/', '-')}-1",
        "prefer": "respond-async",
    }
    sent = Request(f"{address}{path}", json.dumps(body).encode(), headers)  # noqa: S310 - our own service
    with urlopen(sent, timeout=patience) as answer:  # noqa: S310 - as above
        return json.load(answer)


@pytest.mark.slow
def test_a_signal_ends_it_while_it_calculates(tmp_path: Path) -> None:
    """SIGTERM ends the service within seconds although a calculation goes on, and what was recorded is there."""
    port = free_port()
    address = f"http://127.0.0.1:{port}"
    with _process(tmp_path, "-m", "tests.api.hurt.endless_service", str(port)) as served:
        _alive(address, served)
        needle = {"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}
        _post(address, "/api/v1/installations", {"needles": [needle]})
        with suppress(TimeoutError):  # recorded, and never answered
            _post(address, "/api/v1/installations/1/runs", RUN, patience=15.0)
        assert served.stdout is not None
        assert any(line.strip() == "calculating" for line in served.stdout)
        begun = time.monotonic()
        served.send_signal(signal.SIGTERM)
        served.wait(timeout=60)
        took = time.monotonic() - begun
    assert LAST_SECONDS < took < _MOST_SECONDS
    database = Database(f"sqlite:///{tmp_path / 'taperwise.db'}")
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Entry)) == 1
    database.close()


@pytest.mark.slow
def test_a_signal_lets_go_of_those_who_wait(tmp_path: Path) -> None:
    """A request whose result is being calculated when SIGTERM comes is told when to ask again."""
    port = free_port()
    address = f"http://127.0.0.1:{port}"
    with (
        ThreadPoolExecutor(1) as beside,
        _process(tmp_path, "-m", "tests.api.hurt.endless_service", str(port), TAPERWISE_WORKER="false") as served,
    ):
        _alive(address, served)
        needle = {"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}
        _post(address, "/api/v1/installations", {"needles": [needle]})
        waits = beside.submit(urlopen, f"{address}/api/v1/installations/1/suggestion", timeout=120)
        assert served.stdout is not None
        assert any(line.strip() == "calculating" for line in served.stdout)
        served.send_signal(signal.SIGTERM)
        with waits.result() as answer:
            assert (answer.status, "Retry-After" in answer.headers) == (202, True)
        served.wait(timeout=60)


@pytest.mark.slow
def test_another_server_program_starts_it(tmp_path: Path) -> None:
    """Uvicorn is given the factory, and ends it with a signal."""
    port = free_port()
    command = (
        "-m",
        "uvicorn",
        "--factory",
        "taperwise.api.cli.asgi:service",
        "--no-proxy-headers",
        "--port",
        str(port),
    )
    with _process(tmp_path, *command) as served:
        _alive(f"http://127.0.0.1:{port}", served)
        served.send_signal(signal.SIGTERM)
        assert served.wait(timeout=60) in (0, -signal.SIGTERM)


@pytest.mark.slow
def test_two_services_start_together_on_an_empty_database(url: str, tmp_path: Path) -> None:
    """Both listen: one makes the tables, the other waits for it."""
    ports = [free_port(), free_port()]
    run = "from taperwise.api.cli.main import run; run()"
    more = {"TAPERWISE_DATABASE_URL": url, "TAPERWISE_WORKER": "false"}
    first = _process(tmp_path, "-c", run, "serve", "--port", str(ports[0]), **more)
    second = _process(tmp_path, "-c", run, "serve", "--port", str(ports[1]), **more)
    with first as one, second as two:
        for port, served in zip(ports, (one, two), strict=True):
            _alive(f"http://127.0.0.1:{port}", served)


@pytest.mark.slow
def test_a_phone_finds_it_on_the_network(tmp_path: Path) -> None:
    """It listens on this machine and at the address it prints, where a link that was printed lets one phone in."""
    try:
        host = for_phones(Settings()).host
    except InvalidValueError:
        pytest.skip("this machine has no address on a network")
    port = free_port()
    run = "from taperwise.api.cli.main import run; run()"
    with _process(tmp_path, "-c", run, "serve", "--phone", "--port", str(port), TAPERWISE_WORKER="false") as served:
        for each in (host, "127.0.0.1"):
            _alive(f"http://{each}:{port}", served)
        assert served.stdout is not None
        link = next(line.strip() for line in served.stdout if line.startswith("http"))
        assert link.startswith(f"http://{host}:{port}/phone?key=")
        with pytest.raises(HTTPError, match="401"):
            urlopen(f"http://{host}:{port}/api/v1/installations")
        form = f"key={link.partition('=')[2]}".encode()
        opener = build_opener(HTTPCookieProcessor())
        opener.open(f"http://{host}:{port}/phone", form)
        with opener.open(f"http://{host}:{port}/api/v1/installations") as answer:
            assert json.load(answer) == {"total": 0, "installations": [], "damaged": []}


def test_a_fleet_fills_an_empty_database_alone(tmp_path: Path) -> None:
    """Invented builders, engines and logs, the same for the same seed; a database that holds anything is left alone."""
    told: list[str] = []
    logs = []
    for name in ("one", "two"):
        database = Database(f"sqlite:///{tmp_path / name}.db")
        database.migrate()
        fill(database, 5, 3, told.append)
        with database.reading() as session:
            assert session.scalar(select(func.count()).select_from(Installation)) == 5
            assert all(name.startswith("Invented builder ") for name in session.scalars(select(Person.name)))
            documents = session.scalars(select(Entry.document).order_by(Entry.id)).all()
            logs.append([{k: v for k, v in each.items() if k != "time"} for each in documents])
        with pytest.raises(ConflictError, match="holds engines already"):
            fill(database, 5, 3, told.append)
        database.close()
    assert logs[0] == logs[1]
    assert told == [f"Made 5 invented engines of 3 invented builders, with {len(logs[0])} entries."] * 2
    assert len(logs[0]) > 5


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"public_names": "https://tuning.example.org"}, "public_names"),
        ({"public_names": "tuning.example.org:8443"}, "public_names"),
        ({"trusted_proxies": "the proxy"}, "trusted_proxies"),
        ({"trusted_proxies": "10.0.0.1/8"}, "trusted_proxies"),
        ({"root_path": "tuning"}, "root_path"),
        ({"root_path": "/tuning/"}, "root_path"),
        ({"root_path": '/"x'}, "root_path"),
    ],
)
def test_a_way_in_that_cannot_be_is_refused(given: dict[str, str], field: str) -> None:
    """With the field and an example."""
    with pytest.raises(InvalidValueError) as refused:
        Settings(**given)
    assert refused.value.field == field
    assert refused.value.cure


@pytest.mark.parametrize(
    ("address", "known"),
    [("10.89.77.4", True), ("::ffff:10.89.77.4", True), ("127.0.0.1", True), ("10.89.78.4", False), ("x", False)],
)
def test_proxies_are_known_by_their_address(address: str, known: bool) -> None:
    """Networks, and IPv4 addresses that come in the clothes of IPv6."""
    assert OnlyProxies(None, ["127.0.0.1", "10.89.77.0/24"])._known(address) is known  # type: ignore[arg-type]


async def _sent_by(kind: str, body: bytes, location: str = "/installations") -> list[dict[str, object]]:
    sent: list[dict[str, object]] = []

    async def app(_scope: object, _receive: object, send: object) -> None:
        headers = [(b"content-type", kind.encode()), (b"location", location.encode()), (b"content-length", b"0")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})  # type: ignore[operator]
        await send({"type": "http.response.body", "body": body[:9], "more_body": True})  # type: ignore[operator]
        await send({"type": "http.response.body", "body": body[9:]})  # type: ignore[operator]

    async def send(message: dict[str, object]) -> None:
        sent.append(message)

    scope = {"type": "http", "method": "GET", "path": "/tuning/help"}
    await UnderPrefix(app, "/tuning")(scope, None, send)  # type: ignore[arg-type]
    return sent


@pytest.mark.anyio
@pytest.mark.parametrize("anyio_backend", ["asyncio"])
async def test_only_addresses_of_a_page_get_the_prefix(anyio_backend: str) -> None:
    """What somebody typed stays as typed, other kinds of answers too, and other hosts are left alone."""
    page = b'<a href="/x">/x</a><p>&#34; href=&#34;/y</p><a href="//other">o</a><form action="/z">'
    start, body = await _sent_by("text/html; charset=utf-8", page)
    expected = page.replace(b'"/x"', b'"/tuning/x"').replace(b'"/z"', b'"/tuning/z"')
    assert body["body"] == expected
    assert dict(start["headers"]) == {  # type: ignore[call-overload]
        b"content-type": b"text/html; charset=utf-8", b"location": b"/tuning/installations",
        b"content-length": str(len(expected)).encode(),
    }  # fmt: skip
    parts = await _sent_by("application/json", page, location="https://elsewhere.example.org/")
    assert b"".join(part.get("body", b"") for part in parts) == page  # type: ignore[misc]
    assert (b"location", b"https://elsewhere.example.org/") in parts[0]["headers"]  # type: ignore[operator]


@pytest.mark.anyio
@pytest.mark.parametrize("anyio_backend", ["asyncio"])
async def test_problems_and_events_get_the_prefix(anyio_backend: str) -> None:
    """Their own addresses, and nothing that somebody typed."""
    document = b'{"type":"/problems/conflict","detail":"\\"type\\":\\"/x","errors":[{"type":"/y"}]}'
    start, told = await _sent_by("application/problem+json", document)
    assert told["body"] == document.replace(b"/problems", b"/tuning/problems")
    assert (b"content-length", str(len(document) + 7).encode()) in start["headers"]  # type: ignore[operator]
    event = b'event: x\ndata: {"etag":"/a","link":"/api/v1/installations/1/suggestion"}\n\n'
    _, first, second = await _sent_by("text/event-stream; charset=utf-8", event)
    assert first["body"] == event[:9]
    assert second["body"] == event[9:].replace(b'"/api', b'"/tuning/api')


def test_refusals_at_the_door_get_the_prefix(tmp_path: Path) -> None:
    """Who asks under a foreign name, or past the proxy, is told an address under the prefix too."""
    settings = Settings(
        data_folder=tmp_path, access="keys", transport="proxy", public_names="tuning.example.org", root_path="/tuning"
    )
    app = FastAPI()
    install_door(app, settings)
    for address, host, status in (("127.0.0.1", "foreign.example.org", 421), ("10.0.0.1", "tuning.example.org", 403)):
        client = TestClient(app, f"http://{host}", client=(address, 1))
        answer = client.get("/tuning/healthz")
        assert answer.status_code == status
        assert answer.json()["type"].startswith("/tuning/problems/")
