"""A fleet refitted: every answer is stored as it comes.

An engine whose stored answer is of this model and this log is left alone: a refit that was interrupted goes on where
it stopped. One transaction checks that an answer is still wanted and stores it: no engine is counted twice.
"""

import base64
from collections.abc import Callable
from concurrent.futures import CancelledError
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from threading import Event
from typing import Any

from taperwise.api.background import stale_answers
from taperwise.api.core.database import Database
from taperwise.api.installations import repository as installations
from taperwise.api.log import service
from taperwise.api.log.service import Log
from taperwise.api.recommendations import repository as answers
from taperwise.api.refit.work import refit_one
from taperwise.api.refit.workers import Fit, Workers, fits
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import NotFoundError

__all__ = ["Refitted", "due", "refit_fleet"]

_LOST_TWICE = "its worker ended without a word, and once more when it was alone; memory may have run out"


@dataclass(frozen=True)
class Refitted:
    """What came of a refit.

    Parameters
    ----------
    stored : int
        Answers stored.
    failed : dict of int to str
        Engines without an answer, and why.
    left : int
        Engines that the next refit takes up.
    """

    stored: int
    failed: dict[int, str]
    left: int


def due(database: Database, seed: int) -> list[int]:
    """Installations whose stored answer is not of this model, this seed and the log as it stands."""
    with database.reading() as session:
        return [each.installation_id for each in stale_answers.stale(session, seed)]


def refit_fleet(
    database: Database,
    seed: int,
    workers: Workers,
    progress: Callable[[int, int], None],
    work: Callable[[int, Log], dict[str, Any]] = refit_one,
    stop: Event | None = None,
) -> Refitted:
    """Refit every engine that needs it.

    Parameters
    ----------
    progress : callable
        Told how many are done, of how many.
    work : callable
        What a worker does with the seed and a log.
    stop : threading.Event, optional
        Once it is set, nothing more is begun. What is in hand is still kept.
    """
    logs, failed = _read(database, seed)
    done, stored = 0, 0
    with closing(fits(workers, logs, partial(work, seed), stop or Event())) as coming:
        for done, (log, fit) in enumerate(coming, start=1):
            if (reason := _failure(fit, workers.lost)) is not None:
                failed[log.installation_id] = reason
            else:
                stored += _keep(database, log, seed, fit.result())
            progress(done, len(logs))
    return Refitted(stored, failed, len(logs) - done)


def _read(database: Database, seed: int) -> tuple[list[Log], dict[int, str]]:
    """The logs to refit, as they stood at one moment, and why some could not be read."""
    logs, failed = list[Log](), dict[int, str]()
    with database.reading() as session:
        for each in stale_answers.stale(session, seed):
            try:
                logs.append(service.load(session, each.installation_id))
            except ValueError as error:
                failed[each.installation_id] = _in_a_line(error)
    return logs, failed


def _failure(fit: Fit, lost: type[Exception]) -> str | None:
    """Why a fit that ended is no answer of this model, if it is none."""
    error = CancelledError("the scheduler may have ended") if fit.cancelled() else fit.exception()
    if isinstance(error, lost):
        return _LOST_TWICE
    if error is not None:
        return _in_a_line(error)
    has = fit.result().get("answer", {}).get("provenance", {}).get("model_version", "unknown")
    if has == MODEL_VERSION:
        return None
    return f"its worker has model version {has}, wanted is {MODEL_VERSION}: install the same release on the workers"


def _in_a_line(error: BaseException) -> str:
    return ": ".join([type(error).__name__, *str(error).strip().splitlines()[:1]])[:300]


def _keep(database: Database, log: Log, seed: int, made: dict[str, Any]) -> bool:
    """Store an answer, unless it is there already, or the log has grown since, or the engine is gone."""
    number, key = log.installation_id, (log.state, seed, MODEL_VERSION)
    with database.unit() as session:
        try:
            installations.get(session, number, lock=True)
        except NotFoundError:
            return False
        if service.log_revision(session, number) != log.state or answers.get(session, number, *key) is not None:
            return False
        answers.put(session, number, *key, made["answer"])
        earlier = {name: base64.b64decode(content) for name, content in made["earlier_fits"].items()}
        answers.keep_earlier_fits(session, number, earlier, (), most=2 * len(log.entries) + 10)
        return True
