"""Answers that the log has outgrown are made by one worker, whatever happens to it."""

import contextlib
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
from sqlalchemy import delete, event, insert, select, update

from taperwise.api.app import create_app
from taperwise.api.background import stale_answers
from taperwise.api.background.worker import Worker
from taperwise.api.core.database import Answer, Database, Entry, Installation
from taperwise.api.core.settings import Settings
from taperwise.api.installations import repository as installations
from taperwise.api.recommendations.repository import EarlierFitRow
from taperwise.api.recommendations.service import RecommendationService
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
            session.execute(delete(Answer))
            session.execute(delete(EarlierFitRow))
        yield made


@pytest.fixture
def stored(service: Client) -> Database:
    """The service's database."""
    database: Database = service.app.state.database  # type: ignore[attr-defined] - as above
    return database


def _due(database: Database) -> list[int]:
    with database.reading() as session:
        return [each.installation_id for each in stale_answers.stale(session, SEED)]


@pytest.fixture
def worker(stored: Database, clock: Clock) -> Callable[..., Worker]:
    """Makes workers, each with a desk of its own."""

    def make(adviser: StandIn | None = None) -> Worker:
        used = adviser or StandIn(SEED)
        return Worker(stored, RecommendationService(lambda _seed: used, SEED), clock)

    return make


def test_what_waits_is_made_and_then_nothing_is_left_to_do(
    stored: Database, service: Client, worker: Callable[..., Worker]
) -> None:
    """One answer after the other, kept as the service's own; then there is no work and nothing to learn."""
    adviser = StandIn(SEED)
    one = worker(adviser)
    assert _due(stored) == [1, 2, 3]
    assert [one.work_once() for _ in range(4)] == [True, True, True, False]
    assert adviser.learned == 3
    assert _due(stored) == []
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


@pytest.fixture
def shared(stored: Database) -> Database:
    """The service's database, where several services can have it."""
    if stored.engine.dialect.name != "postgresql":
        pytest.skip("a file is one service's alone")
    return stored


class _Patient(StandIn):
    """Says that it learns, and waits for others that do."""

    def __init__(self, seen: "_Seen") -> None:
        super().__init__(SEED)
        self._seen = seen

    def learn(self, *args: Any) -> Any:
        self._seen.begin()
        return super().learn(*args)


class _Seen:
    """What several workers are at.

    Parameters
    ----------
    together : int
        Answers that have to be in the making before any of them goes on.
    """

    def __init__(self, together: int) -> None:
        self.begun = 0
        self._barrier = threading.Barrier(together)
        self._lock = threading.Lock()

    def begin(self) -> None:
        """One begins; whoever waits longer than ten seconds for the others goes on alone."""
        with self._lock:
            self.begun += 1
        with contextlib.suppress(threading.BrokenBarrierError):
            self._barrier.wait(10.0)

    @property
    def broken(self) -> bool:
        """Whether anyone went on alone."""
        return self._barrier.broken


def test_two_services_share_out_the_work(shared: Database, worker: Callable[..., Worker]) -> None:
    """Of workers of several services each makes another answer, at once; none is made twice."""
    seen = _Seen(3)  # all three go on only when all three are in the making
    workers = [worker(_Patient(seen)) for _ in range(6)]
    threads = [threading.Thread(target=one.work_once) for one in workers]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert seen.begun == 3
    assert not seen.broken
    assert _due(shared) == []
    for each in workers:
        each.stop()


def test_an_answer_in_the_making_is_left_to_its_worker(shared: Database, worker: Callable[..., Worker]) -> None:
    """While one makes the answer of an engine, another finds the rest, and nothing once that is made; the engine's log
    can be read and written meanwhile.
    """
    begun, go_on = threading.Event(), threading.Event()

    class Slow(StandIn):
        def learn(self, *args: Any) -> Any:
            begun.set()
            assert go_on.wait(30)
            return super().learn(*args)

    first, adviser = worker(Slow(SEED)), StandIn(SEED)
    other = worker(adviser)
    first.ask(2)
    thread = threading.Thread(target=first.work_once)
    thread.start()
    assert begun.wait(30)
    assert [other.work_once() for _ in range(3)] == [True, True, False]
    assert adviser.learned == 2
    assert _due(shared) == [2]
    with shared.unit() as session:
        installations.get(session, 2, lock=True)
    go_on.set()
    thread.join()
    assert _due(shared) == []
    for each in (first, other):
        each.stop()


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("step", STEPS)
def test_a_worker_that_dies_costs_no_answer(
    stored: Database, url: str, worker: Callable[..., Worker], step: str
) -> None:
    """Killed at any step, it leaves nothing locked and no half an answer: another finishes its work at once."""
    with stored.unit() as session:  # recorded a while ago
        session.execute(update(Entry).values(recorded_at=datetime.now(UTC) - timedelta(hours=1)))
    command = [sys.executable, "-m", "tests.api.dying_worker", url, step]
    root = Path(__file__).parents[2]
    environment = {**os.environ, "PYTHONPATH": f"{root / '.src'}{os.pathsep}{root}"}
    died = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, timeout=300)
    assert died.returncode == 9, died.stderr
    assert _due(stored) == ([2, 3] if step == "once stored" else [1, 2, 3])
    with stored.reading() as session:
        fits = session.scalars(select(EarlierFitRow)).all()
        assert [row.installation_id for row in fits] == ([1] if step == "once stored" else [])
    other = worker()
    deadline = time.monotonic() + 10.0  # the server may take a moment to see that somebody is gone
    while _due(stored):
        assert time.monotonic() < deadline
        other.work_once()
    other.stop()
    with stored.reading() as session:
        assert [row.sequence for row in session.scalars(select(Answer))] == [1, 1, 1]


def test_what_cannot_be_learned_is_not_tried_in_a_hurry(
    service: Client, stored: Database, worker: Callable[..., Worker], clock: Clock
) -> None:
    """It is left alone for twice as long each time, an hour at the most; another entry brings it back at once."""

    class PanicError(BaseException):
        """As compiled code raises one."""

    adviser = StandIn(SEED)
    adviser.failure = PanicError()
    one = worker(adviser)
    for pause in (10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600, 3600):
        before = adviser.learned
        while one.work_once():
            pass
        assert adviser.learned == before + 3
        clock.forward(timedelta(seconds=pause - 1))
        assert not one.work_once()
        clock.forward(timedelta(seconds=1))
    while one.work_once():
        pass
    adviser.failure = None
    service.post("/api/v1/installations/2/runs", json=RUN)
    with stored.unit() as session:
        session.execute(delete(Answer))
    clock.forward(timedelta(seconds=30))
    assert one.work_once()
    assert not one.work_once()
    assert _due(stored) == [1, 3]
    one.stop()


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
    assert service.get("/api/v1/installations/1/suggestion").status_code == 200
    clock.forward(timedelta(minutes=1))
    assert [one.work_once(), one.work_once()] == [True, False]
    assert _due(stored) == []


def test_the_same_log_is_learned_once_at_a_time(stored: Database) -> None:
    """A request and the worker that want the same answer at once share the one that is being made."""
    begun, go_on = threading.Event(), threading.Event()

    class Slow(StandIn):
        def learn(self, *args: Any) -> Any:
            begun.set()
            assert go_on.wait(30)
            return super().learn(*args)

    adviser = Slow(SEED)
    desk = RecommendationService(lambda _seed: adviser, SEED)
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
        entry = {"kind": "run", "happened_at": now, "recorded_at": now, "document": {}}
        rows = [entry | {"installation_id": n, "sequence": s} for n in numbers for s in (1, 2, 3)]
        session.execute(insert(Entry), rows)
        answer = {"seed": SEED, "model_version": stale_answers.MODEL_VERSION, "document": {}}
        session.execute(
            insert(Answer), [answer | {"installation_id": n, "sequence": 3 if n % 2 else 2} for n in numbers]
        )
    asked: list[str] = []

    @event.listens_for(database._reader, "before_cursor_execute")
    def _seen(_c: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        asked.append(statement)

    with database.reading() as session:
        assert [each.installation_id for each in stale_answers.stale(session, SEED)] == list(range(2, 10_001, 2))
        assert stale_answers.queue_stats(session, SEED) == (5000, now)
    assert len([s for s in asked if s.startswith("SELECT")]) == 2
    database.close()


def test_a_worker_that_is_announced_is_counted_on(stored: Database) -> None:
    """From the announcement to the end; not where it was taken back, nor once the worker was stopped."""
    worker = Worker(stored, RecommendationService(StandIn, SEED))
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
