"""The worker: takes a lease on an answer that waits, has the desk make it, lets go, and looks again.

A crash between any two of these leaves a lease that runs out and an answer that still waits.
"""

import threading
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import structlog
from sqlalchemy.exc import SQLAlchemyError

from api.advice.desk import Desk
from api.database import Database
from api.jobs import leases, waiting
from api.jobs.waiting import Waiting

__all__ = ["LEASE", "Worker"]

LEASE = timedelta(minutes=10)
"""How long nobody else makes an answer that was begun: many times what the longest log takes."""

_GRACE = timedelta(seconds=5)
"""An entry as fresh as this is being answered by the request that brought it, unless the worker was asked."""

_LOOKED_AT = 200
"""How many that wait are looked at closely before one is taken."""

_log = structlog.get_logger("eighth_turn")


class Worker:
    """Makes the answers that wait, one after the other.

    Parameters
    ----------
    database : Database
    desk : Desk
    clock : callable
        Now, with its zone.
    pause : float
        Between two looks for work, unless woken [s].
    """

    def __init__(
        self,
        database: Database,
        desk: Desk,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        pause: float = 5.0,
    ) -> None:
        self.holder = uuid.uuid4().hex
        self._database, self._desk, self._clock, self._pause = database, desk, clock, pause
        self._asked: set[int] = set()
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
        work = self._claim()
        if work is None:
            return False
        if self._pool is None:
            self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="answer")
        # a future keeps whatever went wrong, a panic of compiled code too, so that one log cannot end the worker
        failure = self._pool.submit(self._desk.answer, self._database, work.installation_id, fully=True).exception()
        if failure is None:
            self._let_go(work)
        else:
            self._put_off(work, failure)
        return True

    def _claim(self) -> Waiting | None:
        now = self._clock()
        with self._database.reading() as session:
            found = self._asked_first(waiting.ready(session, self._desk.seed, now))[:_LOOKED_AT]
            found = [
                work
                for work in found
                if self._is_left_to_us(work, leases.recorded_at(session, work.installation_id), now)
            ]
        for work in found:
            with self._database.unit() as session:
                taken = leases.take(session, work, self._desk.seed, self.holder, now, now + LEASE)
            if taken:
                with self._lock:
                    self._asked.discard(work.installation_id)
                return work
        return None

    def _asked_first(self, found: list[Waiting]) -> list[Waiting]:
        with self._lock:
            return sorted(found, key=lambda work: work.installation_id not in self._asked)

    def _is_left_to_us(self, work: Waiting, recorded: datetime | None, now: datetime) -> bool:
        with self._lock:
            asked = work.installation_id in self._asked
        return asked or recorded is None or recorded <= now - _GRACE

    def _let_go(self, work: Waiting) -> None:
        with self._database.unit() as session:
            leases.let_go(session, work.installation_id, self.holder)

    def _put_off(self, work: Waiting, failure: BaseException) -> None:
        with self._database.unit() as session:
            until = leases.put_off(session, work.installation_id, self.holder, self._clock())
        _log.error(
            "learning_failed", installation=work.installation_id, error=type(failure).__name__,
            again_after=None if until is None else until.isoformat(),
        )  # fmt: skip
