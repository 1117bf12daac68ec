"""The worker: finds an answer that the log has outgrown, has the desk make it, and looks again.

What waits is found in the data, so a crash loses nothing and needs no tidying up. Services that share a PostgreSQL
share out the work by locks on the rows of the answers, which end with whoever held them. On SQLite one service has the
file.
"""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import structlog
from sqlalchemy import select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.exc import SQLAlchemyError

from taperwise.api.background import stale_answers
from taperwise.api.background.stale_answers import Waiting
from taperwise.api.core.database import Answer, Database, Installation
from taperwise.api.recommendations.service import RecommendationService
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import NotFoundError

__all__ = ["Worker"]

_GRACE = timedelta(seconds=5)
"""An entry as fresh as this is being answered by the request that brought it, unless the worker was asked."""

_FIRST_PAUSE, _LONGEST_PAUSE = timedelta(seconds=10), timedelta(hours=1)

_LOOKED_AT = 200
"""How many that wait are looked at closely before one is taken."""

_log = structlog.get_logger("taperwise")


class Worker:
    """Makes the answers that wait, one after the other.

    Parameters
    ----------
    database : Database
    desk : RecommendationService
    clock : callable
        Now, with its zone.
    pause : float
        Between two looks for work, unless woken [s].
    """

    def __init__(
        self,
        database: Database,
        desk: RecommendationService,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        pause: float = 5.0,
    ) -> None:
        self._database, self._desk, self._clock, self._pause = database, desk, clock, pause
        self._asked: set[int] = set()
        self._failed: dict[int, tuple[int, int, datetime]] = {}  # state, how often, until when it is left alone
        self._lock = threading.Lock()
        self._wake, self._stop = threading.Event(), threading.Event()
        self._pool: ThreadPoolExecutor | None = None
        self._thread: threading.Thread | None = None
        self._announced = False

    @property
    def working(self) -> bool:
        """Whether it was started, or is about to be, and answers that are asked for will be made."""
        if self._stop.is_set():
            return False
        return self._announced if self._thread is None else self._thread.is_alive()

    def announce(self, *, coming: bool = True) -> None:
        """Say that it will be started once the sampler is ready, or that it will not after all."""
        self._announced = coming

    def start(self) -> None:
        """Begin; the sampler has to be ready."""
        self._thread = threading.Thread(target=self._run, daemon=True, name="worker")
        self._thread.start()

    def stop(self) -> None:
        """Begin nothing more; what is being made is finished."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join()
        if self._pool is not None:
            self._pool.shutdown()

    def ask(self, installation_id: int) -> bool:
        """Make this answer soon: nobody else is going to.

        Returns
        -------
        bool
            False as long as it was neither started nor announced, or when it is stopping.
        """
        with self._lock:
            self._asked.add(installation_id)
        self._wake.set()
        return self.working

    def _run(self) -> None:
        while not self._stop.is_set():
            self._wake.clear()
            try:
                more = self.work_once()
            except SQLAlchemyError as error:  # the database may come back
                _log.error("worker_cannot_read_or_write", error=type(error).__name__)
                more = False
            if not more:
                self._wake.wait(self._pause)

    def work_once(self) -> bool:
        """Make one answer that waits.

        Returns
        -------
        bool
            Whether there was one.
        """
        for work in self._found():
            if self._pool is None:
                self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="answer")
            # a future keeps whatever went wrong, a panic of compiled code too, so that one log cannot end the worker
            future = self._pool.submit(self._make, work)
            failure = future.exception()
            if isinstance(failure, SQLAlchemyError):
                raise failure
            if failure is not None:
                self._put_off(work, failure)
                return True
            if future.result():
                with self._lock:
                    self._asked.discard(work.installation_id)
                    self._failed.pop(work.installation_id, None)
                return True
        return False

    def _found(self) -> list[Waiting]:
        """What waits and is left to this worker, what it was asked for first."""
        now = self._clock()
        with self._database.reading() as session, self._lock:
            due = [work for work in stale_answers.stale(session, self._desk.seed) if self._may_try(work, now)]
            found = sorted(due, key=lambda work: work.installation_id not in self._asked)[:_LOOKED_AT]
            return [
                work
                for work in found
                if work.installation_id in self._asked
                or (recorded := stale_answers.recorded_at(session, work.installation_id)) is None
                or recorded <= now - _GRACE
            ]

    def _may_try(self, work: Waiting, now: datetime) -> bool:
        state, _, until = self._failed.get(work.installation_id, (None, 0, now))
        return state != work.state or until <= now

    def _make(self, work: Waiting) -> bool:
        """Make an answer and store it; whether that was left to us, and it could be stored."""
        number = work.installation_id
        if self._database.engine.dialect.name != "postgresql":
            try:
                self._desk.answer(self._database, number)
                return self._desk.kept(self._database, number) is not None  # none where the disk is full
            except NotFoundError:
                return True  # it was erased meanwhile
        self._reserve(number)
        with self._database.unit() as session:
            row = select(Answer).where(Answer.installation_id == number).with_for_update(skip_locked=True)
            there = session.scalars(row).one_or_none()
            wanted = (work.state, self._desk.seed, MODEL_VERSION)
            if there is None or (there.sequence, there.seed, there.model_version) == wanted:
                return False  # another service is at it, or was
            try:
                made = self._desk.make(self._database, number)
            except NotFoundError:
                return True  # it was erased meanwhile
            # whoever is recording there, or erasing it, may be waiting for our row: they go first
            free = select(Installation.id).where(Installation.id == number).with_for_update(skip_locked=True)
            if session.scalars(free).one_or_none() is not None:
                self._desk.keep(session, made)
            return True

    def _reserve(self, number: int) -> None:
        """See that there is a row to be locked."""
        with self._database.unit() as session:
            empty = {"sequence": -1, "seed": self._desk.seed, "model_version": "", "document": {}}
            there = select(Installation.id).where(Installation.id == number)
            if session.scalars(there).one_or_none() is not None:
                session.execute(insert(Answer).values(installation_id=number, **empty).on_conflict_do_nothing())

    def _put_off(self, work: Waiting, failure: BaseException) -> None:
        """After a failure: leave it alone for a while, twice as long each time, until the log changes."""
        state, times, _ = self._failed.get(work.installation_id, (work.state, 0, None))
        times = times if state == work.state else 0
        until = self._clock() + min(_FIRST_PAUSE * 2 ** min(times, 16), _LONGEST_PAUSE)
        with self._lock:
            self._failed[work.installation_id] = (work.state, times + 1, until)
        _log.error(
            "learning_failed", installation=work.installation_id, error=type(failure).__name__,
            again_after=until.isoformat(),
        )  # fmt: skip
