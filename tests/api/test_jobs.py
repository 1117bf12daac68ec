"""Answers that the log has outgrown are made by one worker, whatever happens to it."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, insert, select, update

from api.advice.desk import Desk
from api.app import create_app
from api.cli import prepare
from api.cli.serve import _prepare
from api.compile_cache import SamplerShelf
from api.database import Answer, Base, Database, Entry, Installation
from api.jobs import waiting
from api.jobs.tables import Lease
from api.jobs.worker import LEASE, Worker
from api.settings import Settings
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.dying_worker import STEPS

SEED = 7


class Clock:
    """Goes forward when it is told to."""

    def __init__(self) -> None:
        self.now = datetime.now(UTC) + timedelta(minutes=1)

    def __call__(self) -> datetime:
        """Now."""
        return self.now

    def forward(self, by: timedelta) -> None:
        """Later."""
        self.now += by


@pytest.fixture
def clock() -> Clock:
    """A minute from now, so that nothing is fresh any more."""
    return Clock()


@pytest.fixture
def service(url: str, needles: list[dict[str, Any]]) -> Iterator[Client]:
    """A service on either kind of database with three engines, a run each, and none of their answers."""
    stand_in = StandIn(SEED)
    with Client(create_app(Settings(database_url=url, seed=SEED), lambda _seed: stand_in)) as made:
        for _ in range(3):
            place = made.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
            made.post(f"{place}/runs", json=RUN)
        database: Database = made.app.state.database  # type: ignore[attr-defined] - the client hides the type
        with database.unit() as session:
            for row in session.scalars(select(Answer)):
                session.delete(row)
        yield made


@pytest.fixture
def stored(service: Client) -> Database:
    """The service's database."""
    database: Database = service.app.state.database  # type: ignore[attr-defined] - as above
    return database


def _due(database: Database) -> list[int]:
    with database.reading() as session:
        return [each.installation_id for each in waiting.due(session, SEED)]


def _leases(database: Database) -> list[Lease]:
    with database.reading() as session:
        return list(session.scalars(select(Lease).order_by(Lease.installation_id)))


@pytest.fixture
def worker(stored: Database, clock: Clock) -> Callable[..., Worker]:
    """Makes workers, each with a desk of its own."""

    def make(adviser: StandIn | None = None) -> Worker:
        used = adviser or StandIn(SEED)
        return Worker(stored, Desk(lambda _seed: used, SEED, 4), clock)

    return make


def test_what_waits_is_made_and_then_nothing_is_left_to_do(
    stored: Database, service: Client, worker: Callable[..., Worker]
) -> None:
    """One answer after the other, kept as the service's own; then there is no work, no lease and nothing to learn."""
    adviser = StandIn(SEED)
    one = worker(adviser)
    assert _due(stored) == [1, 2, 3]
    assert [one.work_once() for _ in range(4)] == [True, True, True, False]
    assert adviser.learned == 3
    assert _due(stored) == []
    assert _leases(stored) == []
    served: Any = service.app.state.desk  # type: ignore[attr-defined] - as above
    for number in (1, 2, 3):
        assert served.kept(stored, number) is not None


@pytest.mark.parametrize(
    "change", [{"model_version": "older"}, {"seed": SEED + 1}, {"sequence": 0}], ids=["model", "seed", "log"]
)
def test_an_answer_of_something_else_waits(
    stored: Database, worker: Callable[..., Worker], change: dict[str, Any]
) -> None:
    """Another version of the model, another seed, a shorter log: the answer is made anew."""
    one = worker()
    while one.work_once():
        pass
    with stored.unit() as session:
        session.execute(update(Answer).where(Answer.installation_id == 2).values(**change))
    assert _due(stored) == [2]
    assert one.work_once()
    assert _due(stored) == []


def test_a_correction_waits_too_and_an_empty_log_does_not(
    service: Client, stored: Database, worker: Callable[..., Worker], needles: list[dict[str, Any]]
) -> None:
    """A log changes by a correction as by an entry; before the first entry there is nothing to answer."""
    one = worker()
    while one.work_once():
        pass
    service.post("/api/v1/installations", json={"needles": needles[:1]})
    assert _due(stored) == []
    void = {"reason": "recorded twice", "void": True}
    assert service.post("/api/v1/installations/3/entries/1/corrections", json=void).status_code == 201
    with stored.unit() as session:
        session.execute(update(Answer).where(Answer.installation_id == 3).values(sequence=1))
    assert _due(stored) == [3]


def test_a_lease_is_taken_by_one(stored: Database, worker: Callable[..., Worker]) -> None:
    """Of workers that look for work at once, each takes another answer; what one holds, nobody else is given."""
    workers = [worker() for _ in range(6)]
    together = threading.Barrier(len(workers))
    taken: list[int] = []

    def take(one: Worker) -> None:
        together.wait()
        for _ in range(4):
            found = one._claim()
            if found is not None:
                taken.append(found.installation_id)

    threads = [threading.Thread(target=take, args=(one,)) for one in workers]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sorted(taken) == [1, 2, 3]
    assert _due(stored) == [1, 2, 3]  # none of them is made yet


def test_a_lease_that_ran_out_is_taken_over(stored: Database, worker: Callable[..., Worker], clock: Clock) -> None:
    """Until then nobody does the work; the one that held it before cannot let go of the other's lease."""
    slow, other = worker(), worker()
    held = [slow._claim() for _ in range(3)]
    assert None not in held
    clock.forward(LEASE - timedelta(seconds=1))
    assert not other.work_once()
    clock.forward(timedelta(seconds=1))
    taken = other._claim()
    assert taken == held[0]
    slow._let_go(taken)  # comes back late
    assert [lease.holder for lease in _leases(stored)] == [other.holder, slow.holder, slow.holder]
    assert [other.work_once() for _ in range(3)] == [True, True, False]


@pytest.mark.slow
@pytest.mark.parametrize("step", STEPS)
def test_a_worker_that_dies_costs_no_answer(
    stored: Database, url: str, worker: Callable[..., Worker], clock: Clock, step: str
) -> None:
    """Killed at any step, it leaves work that another finishes once the lease has run out, and no half an answer."""
    with stored.unit() as session:  # recorded a while ago
        session.execute(update(Entry).values(recorded_at=datetime.now(UTC) - timedelta(hours=1)))
    command = [sys.executable, "-m", "tests.api.dying_worker", url, step]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    died = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, timeout=300)
    assert died.returncode == 9, died.stderr
    other = worker()
    while other.work_once():
        pass
    left = [] if step in ("before the lease", "once stored", "letting go") else [1]
    assert _due(stored) == left
    clock.forward(LEASE + timedelta(minutes=1))
    while other.work_once():
        pass
    assert _due(stored) == []
    with stored.reading() as session:
        assert [row.sequence for row in session.scalars(select(Answer))] == [1, 1, 1]


def test_what_cannot_be_learned_is_not_tried_in_a_hurry(
    service: Client, stored: Database, worker: Callable[..., Worker], clock: Clock
) -> None:
    """It is left alone for twice as long each time, by every worker; another entry brings it back at once."""

    class PanicError(BaseException):
        """As compiled code raises one."""

    adviser = StandIn(SEED)
    adviser.failure = PanicError()
    one = worker(adviser)
    while one.work_once():
        pass
    assert adviser.learned == 3
    assert not worker().work_once()
    pauses = []
    for _ in range(12):
        (until,) = {lease.until for lease in _leases(stored)}
        pauses.append(round((until - clock.now).total_seconds()))
        clock.forward(until - clock.now - timedelta(seconds=1))
        assert not one.work_once()
        clock.forward(timedelta(seconds=1))
        while one.work_once():
            pass
    assert pauses[:4] == [10, 20, 40, 80]
    assert pauses[-1] == 3600
    assert {lease.failures for lease in _leases(stored)} == {13}
    service.post("/api/v1/installations/2/runs", json=RUN)
    with stored.unit() as session:
        session.execute(update(Answer).values(sequence=0))
    adviser.failure = None
    clock.forward(timedelta(seconds=30))
    assert one.work_once()
    assert _due(stored) == [1, 3]
    assert [lease.installation_id for lease in _leases(stored)] == [1, 3]


def test_what_a_request_answers_is_left_to_it(
    service: Client, stored: Database, worker: Callable[..., Worker], clock: Clock
) -> None:
    """An entry of this moment is not picked up, unless the worker was asked; an answer made meanwhile is no trouble."""
    clock.now = datetime.now(UTC) - timedelta(seconds=1)
    one = worker()
    assert not one.work_once()
    one.ask(2)
    assert one.work_once()
    assert _due(stored) == [1, 3]
    clock.forward(timedelta(minutes=1))
    taken = one._claim()
    assert taken is not None
    assert service.get(f"/api/v1/installations/{taken.installation_id}/suggestion").status_code == 200
    one._desk.answer(stored, taken.installation_id)
    one._let_go(taken)
    assert _due(stored) == [3]


def test_the_same_log_is_learned_once_at_a_time(stored: Database) -> None:
    """A request and the worker that want the same answer at once share the one that is being made."""
    begun, go_on = threading.Event(), threading.Event()

    class Slow(StandIn):
        def learn(self, *args: Any) -> Any:
            begun.set()
            assert go_on.wait(30)
            return super().learn(*args)

    adviser = Slow(SEED)
    desk = Desk(lambda _seed: adviser, SEED, 4)
    made: list[Any] = []
    threads = [threading.Thread(target=lambda: made.append(desk.answer(stored, 1))) for _ in range(4)]
    for each in threads:
        each.start()
    assert begun.wait(30)
    while sum(each.is_alive() for each in threads) != 4:
        pass
    go_on.set()
    for each in threads:
        each.join()
    assert adviser.learned == 1
    assert len(made) == 4
    assert made[0] == made[3]


def test_it_works_beside_the_service(settings: Settings, needles: list[dict[str, Any]]) -> None:
    """Started, it makes what it is asked for; stopped, it ends with the service."""
    with Client(create_app(settings, StandIn)) as client:
        place = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
        client.post(f"{place}/runs", json=RUN)
        state: Any = client.app.state  # type: ignore[attr-defined] - as above
        with state.database.unit() as session:
            session.delete(session.get(Answer, 1))
        assert not state.worker.working
        state.worker.start()
        state.worker.ask(1)
        for _ in range(1000):
            if state.desk.kept(state.database, 1) is not None:
                break
            time.sleep(0.02)
        assert state.desk.kept(state.database, 1) is not None
        assert state.worker.working
    assert not state.worker.working


def test_ten_thousand_installations_are_one_question(tmp_path: Path) -> None:
    """However many there are, one statement finds what waits."""
    database = Database(f"sqlite:///{tmp_path / 'many.db'}")
    database.migrate()
    now, numbers = datetime.now(UTC), range(1, 10_001)
    with database.unit() as session:
        session.execute(insert(Installation), [{"id": n, "created_at": now, "document": {}} for n in numbers])
        entry = {"kind": "run", "happened_at": now, "recorded_at": now, "document": {}, "client_id": None}
        rows = [entry | {"installation_id": n, "sequence": s} for n in numbers for s in (1, 2, 3)]
        session.execute(insert(Entry), rows)
        answer = {"seed": SEED, "model_version": waiting.MODEL_VERSION, "document": {}}
        session.execute(
            insert(Answer), [answer | {"installation_id": n, "sequence": 3 if n % 2 else 2} for n in numbers]
        )
    asked: list[str] = []

    @event.listens_for(database._reader, "before_cursor_execute")
    def _seen(_c: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        asked.append(statement)

    with database.reading() as session:
        assert [each.installation_id for each in waiting.due(session, SEED)] == list(range(2, 10_001, 2))
        assert waiting.oldest(session, SEED) == (5000, now)
    assert len([s for s in asked if s.startswith("SELECT")]) == 2
    database.close()


def test_the_table_is_known() -> None:
    """Leases are a table like the others, so that schema, backup and restore take it along."""
    assert "leases" in Base.metadata.tables


def test_a_worker_that_is_announced_is_counted_on(stored: Database) -> None:
    """From the announcement to the end; not where it was taken back, nor once the worker was stopped."""
    worker = Worker(stored, Desk(StandIn, SEED, 4))
    assert not worker.ask(1)
    worker.announce()
    assert worker.working
    assert worker.ask(1)
    worker.announce(coming=False)
    assert not worker.working
    worker.announce()
    worker.start()
    assert worker.working
    worker.stop()
    assert not worker.working


@pytest.fixture
def warm(tmp_path: Path) -> Path:
    """A cache folder with compiled code in it."""
    SamplerShelf(tmp_path).put(b"code")
    return tmp_path


def test_quick_before_the_model_is_ready_and_in_full_afterwards(
    stored: Database, service: Client, warm: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that is getting ready answers quickly; once it is, the worker makes the full answer."""
    state: Any = service.app.state  # type: ignore[attr-defined] - the client hides the type
    stand_in = StandIn(SEED)
    stand_in.quick = 0.25
    monkeypatch.setattr(state.desk, "_adviser", stand_in)
    state.worker.announce()
    place = "/api/v1/installations/1"
    assert not state.desk.ready
    assert service.post(f"{place}/runs", json=RUN).json()["suggestion"]["quick"]
    assert "once the model is ready" in service.get("/installations/1").text
    _prepare(state, True, warm)
    deadline = time.monotonic() + 20.0
    while service.get(f"{place}/suggestion").json()["quick"]:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert "once the model is ready" not in service.get("/installations/1").text


def test_nobody_counts_on_a_worker_that_cannot_come(stored: Database, service: Client, warm: Path) -> None:
    """Where getting ready fails, the announcement is taken back."""
    state: Any = service.app.state  # type: ignore[attr-defined] - the client hides the type
    state.worker.announce()

    def fails(_: object) -> None:
        raise OSError("no room")

    state.desk._adviser = StandIn(SEED)
    state.desk._adviser.prepare = fails
    with pytest.raises(OSError, match="no room"):
        _prepare(state, True, warm)
    assert not state.worker.working
    assert state.desk.failed == "OSError"


def test_compiling_beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the cache is empty a process of its own compiles, and what it says is passed on; where it is not, none is
    started; one that fails is told, and no failure yet.
    """
    script = (
        "from pathlib import Path; from api.compile_cache import SamplerShelf; print('… as told', flush=True); "
        f"SamplerShelf(Path({str(tmp_path)!r})).put(b'code')"
    )
    monkeypatch.setattr(prepare, "_COMMAND", (sys.executable, "-c", script))
    told: list[str] = []
    prepare.compiled_beside(tmp_path, told.append)
    assert told == ["… as told"]
    assert SamplerShelf(tmp_path).get() == b"code"
    prepare.compiled_beside(tmp_path, told.append)
    assert told == ["… as told"]
    monkeypatch.setattr(prepare, "_COMMAND", (sys.executable, "-c", "raise SystemExit(3)"))
    prepare.compiled_beside(tmp_path / "empty", told.append)
    assert told[0] == "… as told"
    assert "ended with 3; the service does it itself" in told[1]


def test_no_compiling_is_left_behind(tmp_path: Path) -> None:
    """The child ends by itself when a service lets go of it, as it does however it ends."""
    environment = {**os.environ, "EIGHTH_TURN_CACHE_FOLDER": str(tmp_path)}
    with subprocess.Popen(
        prepare._COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline().startswith("…")
        child.stdin.close()
        assert child.wait(20.0) == 1
    assert SamplerShelf(tmp_path).get() is None
