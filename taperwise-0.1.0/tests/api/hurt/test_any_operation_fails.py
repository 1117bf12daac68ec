"""Whichever operation of the database fails, the answer is success or a clear problem, and a retry completes."""

import sqlite3
import uuid
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import create_engine, event, func, select
from sqlalchemy.exc import OperationalError

from taperwise.api.app import create_app
from taperwise.api.core.database import Correction, Database, Entry, Installation, Trace
from taperwise.api.core.settings import Settings
from taperwise.api.files.installation import fixture
from taperwise.api.log import repository, service
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.api.traces import recording
from taperwise.api.traces.recording import Traced
from tests.api.asking import AIR, RUN, Client
from tests.api.conftest import StandIn

TURN = {"kind": "turn_screw", "turns": 0.125}
VOID = {"reason": "recorded twice", "void": True}


class Failing:
    """Counts operations of a database and lets one fail: before it is done, or once a commit is done."""

    def __init__(self, database: Database, after_commit: bool) -> None:
        self.count, self.at, self.failed, self.after_commit = 0, -1, False, after_commit
        self._beside = create_engine(database.engine.url)  # what is counted here is not among what may fail
        own_reader = database.engine.dialect.name == "sqlite"  # on a server its events are the engine's
        for engine in (database.engine, database._reader) if own_reader else (database.engine,):
            event.listen(engine, "before_cursor_execute", lambda *_: self._one("statement"))
        real = database.engine.dialect.do_commit

        def commit(connection: Any) -> None:
            if not self.after_commit:
                self._one("commit")
            real(connection)
            if self.after_commit:
                self._one("commit")

        database.engine.dialect.do_commit = commit  # type: ignore[method-assign] - that is what fails here

    def fail(self, at: int) -> None:
        """Let the one of this number from here fail."""
        self.count, self.at, self.failed = 0, at, False

    def close(self) -> None:
        """Let go of the connection it counts by."""
        self._beside.dispose()

    def rows(self) -> int:
        """How many rows there are of what people store."""
        with self._beside.connect() as connection:
            kinds = (Installation, Entry, Correction, Trace)
            return sum(connection.scalar(select(func.count()).select_from(kind)) or 0 for kind in kinds)

    def _one(self, what: str) -> None:
        if self.after_commit and what != "commit":
            return
        self.count += 1
        if self.count == self.at:
            self.failed = True
            raise OperationalError(what, {}, sqlite3.OperationalError("disk I/O error"))


def _steps(place: str) -> list[tuple[str, str, dict[str, Any] | None]]:
    trace = {"csv": fixture("sweep.csv").read_text(encoding="utf-8")}
    return [
        ("POST", f"{place}/runs", RUN),
        ("POST", f"{place}/adjustments", TURN),
        ("POST", f"{place}/runs", {**AIR, "trace": trace}),
        ("POST", f"{place}/entries/1/corrections", VOID),
        ("GET", f"{place}/suggestion", None),
        ("GET", f"{place}/history", None),
    ]


def _tune(client: Client, needles: list[dict[str, Any]], failing: Failing) -> str:
    """A whole tuning; what fails is sent again under its own key."""
    sent = {"needles": needles[:1]}
    once = {"Idempotency-Key": uuid.uuid4().hex}
    made = _until_done(lambda: client.post("/api/v1/installations", json=sent, headers=once), failing)
    place = made.headers["Location"]
    for number, (method, address, body) in enumerate(_steps(place)):
        headers = {"Idempotency-Key": f"{place.rpartition('/')[2]}-step-{number:04d}"}
        _until_done(lambda: client.request(method, address, json=body, headers=headers), failing)  # noqa: B023 - at once
    return str(place)


def _until_done(ask: Callable[[], Any], failing: Failing) -> Any:
    before = failing.rows()
    answer = ask()
    if answer.status_code >= 300:
        assert failing.failed, answer.text
        assert answer.status_code == 503, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        said = answer.json()["detail"]
        assert "Try again" in said
        assert "Nothing was stored" not in said or failing.rows() == before
        answer = ask()
    assert answer.status_code in (200, 201), (failing.at, answer.text)
    return answer


def _told(client: Client, place: str) -> list[Any]:
    history = client.get(f"{place}/history").json()
    return [
        (e["sequence"], e["kind"], e["voided"], bool(e["corrections"]), e["run"], e["adjustment"])
        for e in history["entries"]
    ]


def _set_up(client: Client) -> int:
    """How many installations there are."""
    return int(client.get("/api/v1/installations", params={"limit": 1}).json()["total"])


@pytest.mark.slow
@pytest.mark.both
@pytest.mark.thorough
@pytest.mark.parametrize("first", [1, 2, 3])
@pytest.mark.parametrize("after_commit", [False, True], ids=["it fails", "it is stored, and the word of it lost"])
def test_whichever_fails(
    settings: Settings, needles: list[dict[str, Any]], after_commit: bool, first: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a whole tuning, every third operation in turn: the log is as without any failure, traces included."""
    read: dict[str, Traced] = {}  # the same trace reads the same: once is enough

    def read_once(sent: RunIn, units: Units) -> Traced:
        key = sent.model_dump_json()
        if key not in read:
            read[key] = recording.read(sent, units)
        return read[key]

    monkeypatch.setattr(service, "read_trace", read_once)
    app = create_app(settings, StandIn)
    database: Database = app.state.database
    with Client(app, raise_server_exceptions=False) as client:
        failing = Failing(database, after_commit)
        place = _tune(client, needles, failing)
        total = failing.count
        wanted = _told(client, place)
        assert total > (5 if after_commit else 40)
        for at in range(first, total + 1, 3):
            before = _set_up(client)
            failing.fail(at)
            place = _tune(client, needles, failing)
            assert failing.failed
            assert _told(client, place) == wanted, at
            assert _set_up(client) - before == 1, at  # under its key it is set up once, though the word of it was lost
            assert _kept_of(database, int(place.rsplit("/", 1)[1])) == (3, 1)
        failing.close()
        if database.engine.dialect.name != "sqlite":
            return  # a server looks after its own files
        with database.reading() as session:
            plain = session.connection().exec_driver_sql
            assert plain("PRAGMA integrity_check").scalar() == "ok"
            assert plain("PRAGMA foreign_key_check").all() == []


def _kept_of(database: Database, number: int) -> tuple[int, int]:
    """Entries and traces of an installation: each trace belongs to its entry, nothing is left of a failure."""
    with database.reading() as session:
        return len(repository.entries(session, number)), len(repository.traced(session, number))
