"""A fleet refitted: every answer is stored as it comes.

An engine whose stored answer is of this model and this log is left alone: a refit that was interrupted goes on where
it stopped. One transaction checks that an answer is still wanted and stores it: no engine is counted twice.
"""

from collections.abc import Callable
from concurrent.futures import CancelledError
from contextlib import AbstractContextManager, closing, suppress
from functools import partial
from threading import Event
from typing import Any, NamedTuple

from taperwise.api.background import stale_answers
from taperwise.api.core.database import Database
from taperwise.api.installations import repository as installations
from taperwise.api.log import service
from taperwise.api.recommendations import repository as answers
from taperwise.api.recommendations.guard import safe_suggestion
from taperwise.api.refit.work import refit_one
from taperwise.api.refit.workers import Fit, Opened, fits, is_lost
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import NotFoundError, UnsafeError

__all__ = ["Refitted", "refit_fleet"]


class Refitted(NamedTuple):
    """How many answers were stored, why engines have none, and how many engines the next refit takes up."""

    stored: int
    failed: dict[int, str]
    left: int


def refit_fleet(
    database: Database, seed: int, opened: Callable[[], AbstractContextManager[Opened]],
    progress: Callable[[int, int], None], work: Callable[[int, service.Log], dict[str, Any]] = refit_one,
    stop: Event | None = None,
) -> Refitted:  # fmt: skip
    """Refit every engine that needs it.

    Parameters
    ----------
    opened : callable
        Opens an executor, as `taperwise.api.refit.workers` has them; called again after a worker was lost.
    progress : callable
        Told how many are done, of how many.
    work : callable
        What a worker does with the seed and a log.
    stop : threading.Event, optional
        Once it is set, nothing more is begun. What is in hand is still kept.
    """
    logs, failed, done, stored = list[service.Log](), dict[int, str](), 0, 0
    with database.reading() as session:  # all logs as they stood at one moment
        for each in stale_answers.stale(session, seed):
            try:
                logs.append(service.load(session, each.installation_id))
            except (ValueError, UnsafeError) as error:
                failed[each.installation_id] = _in_a_line(error)
    with closing(fits(opened, logs, partial(work, seed), stop or Event())) as coming:
        for done, (log, fit) in enumerate(coming, start=1):
            if reason := _failure(fit):
                failed[log.installation_id] = reason
            else:
                try:
                    stored += _keep(database, log, seed, fit.result())
                except UnsafeError as error:
                    failed[log.installation_id] = _in_a_line(error)
            progress(done, len(logs))
    return Refitted(stored, failed, len(logs) - done)


def _failure(fit: Fit) -> str:
    """Why a fit that ended is no answer of this model; empty if it is one."""
    if is_lost(fit):
        return "Its worker stopped twice without an error. Perhaps memory ran out"
    error = CancelledError("the scheduler may have ended") if fit.cancelled() else fit.exception()
    if error is not None:
        return _in_a_line(error)
    has = fit.result().get("answer", {}).get("provenance", {}).get("model_version", "unknown")
    if has == MODEL_VERSION:
        return ""
    return (
        f"Its worker has model version {has}, but this release has {MODEL_VERSION}. Install the same release on all "
        "workers"
    )


def _in_a_line(error: BaseException) -> str:
    return ": ".join([type(error).__name__, *str(error).strip().splitlines()[:1]])[:300]


def _keep(database: Database, log: service.Log, seed: int, made: dict[str, Any]) -> bool:
    """Store an answer, unless it is there already, or the log has grown since, or the engine is gone."""
    number, key = log.installation_id, (log.state, seed, MODEL_VERSION)
    with database.unit() as session, suppress(NotFoundError):
        installations.get(session, number, lock=True)
        if service.log_revision(session, number) == log.state and answers.get(session, number, *key) is None:
            found = answers.suggestion_of(made["answer"])
            if found is not None:
                safe_suggestion(found, log)
            answers.put(session, number, *key, made["answer"])
            answers.keep_earlier_fits(session, number, made["earlier_fits"], (), most=2 * len(log.entries) + 10)
            return True
    return False
