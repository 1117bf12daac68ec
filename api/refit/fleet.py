"""A fleet refitted: which engines need it, over which workers, and what comes back is stored at once.

An engine whose stored answer is of this model and this log is left alone, so a refit that was interrupted goes on
where it stopped; an answer is stored in one unit of work with the check that it is still wanted, so no engine is
counted twice, however often a worker was lost. One that fails is told at the end, and the others go on.
"""

import base64
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from threading import Event
from typing import Any

from sqlalchemy.orm import Session

from taperwise.api.background import stale_answers
from taperwise.api.core.database import Database
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import prior_row
from taperwise.api.log import service as log
from taperwise.api.recommendations import repository as answers
from taperwise.api.refit.work import Order, refit_one
from taperwise.api.refit.workers import Failed, Work, Workers
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import NotFoundError

__all__ = ["Refitted", "due", "refit_fleet"]


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
        Engines that were not begun any more.
    """

    stored: int
    failed: dict[int, str]
    left: int


def due(database: Database, seed: int) -> list[int]:
    """Installations whose stored answer is not of this model, this seed and the log as it stands."""
    with database.reading() as session:
        return [each.installation_id for each in stale_answers.stale(session, seed)]


def _orders(database: Database, seed: int) -> list[Order]:
    """All that need it, as they stood at one moment."""
    with database.reading() as session:
        return [_order(session, each.installation_id, seed) for each in stale_answers.stale(session, seed)]


def _order(session: Session, installation_id: int, seed: int) -> Order:
    row, prior = installations.get(session, installation_id), prior_row(session, installation_id)
    return Order(
        installation_id,
        log.log_revision(session, installation_id),
        seed,
        row.document,
        tuple(
            {"kind": kind, "document": document} for kind, document in log.effective_entries(session, installation_id)
        ),
        None if prior is None else prior.document,
    )


def refit_fleet(
    database: Database,
    seed: int,
    workers: Workers,
    progress: Callable[[int, int], None],
    work: Work = refit_one,
    stop: Event | None = None,
) -> Refitted:
    """Refit every engine that needs it.

    Parameters
    ----------
    workers : callable
        `on_processes` or `on_scheduler`, made ready.
    progress : callable
        Told how many are done, of how many.
    work : callable
        What a worker does.
    stop : threading.Event, optional
        Once it is set, nothing more is begun; what is in hand is still kept.
    """
    orders = _orders(database, seed)
    done, stored, failed = 0, 0, dict[int, str]()
    with closing(workers(orders, work, stop or Event())) as coming:
        for done, (order, made) in enumerate(coming, start=1):
            answer = _of_this_model(made)
            if isinstance(answer, Failed):
                failed[order.installation_id] = answer.reason
            else:
                stored += _keep(database, order, answer)
            progress(done, len(orders))
    return Refitted(stored, failed, len(orders) - done)


def _of_this_model(made: dict[str, Any] | Failed) -> dict[str, Any] | Failed:
    """An answer, unless its worker made it with another model than is wanted here."""
    if isinstance(made, Failed):
        return made
    version = made.get("answer", {}).get("provenance", {}).get("model_version", "unknown")
    if version == MODEL_VERSION:
        return made
    return Failed(
        f"its worker has model version {version}, wanted is {MODEL_VERSION}: install the same release on the workers"
    )


def _keep(database: Database, order: Order, made: dict[str, Any]) -> bool:
    """Store an answer, unless it is there already, or the log has grown since, or the engine is gone."""
    with database.unit() as session:
        try:
            installations.get(session, order.installation_id, lock=True)
        except NotFoundError:
            return False
        state = log.log_revision(session, order.installation_id)
        if state != order.state:
            return False
        if answers.get(session, order.installation_id, state, order.seed, MODEL_VERSION) is not None:
            return False
        answers.put(session, order.installation_id, state, order.seed, MODEL_VERSION, made["answer"])
        earlier = {key: base64.b64decode(content) for key, content in made["earlier_fits"].items()}
        answers.keep_earlier_fits(session, order.installation_id, earlier, (), most=2 * len(order.entries) + 10)
        return True
