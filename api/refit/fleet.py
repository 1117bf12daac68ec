"""A fleet refitted: which engines need it, over which workers, and what comes back is stored at once.

An engine whose stored answer is of this model and this log is left alone, so a refit that was interrupted goes on
where it stopped; an answer is stored in one unit of work with the check that it is still wanted, so no engine is
counted twice, however often a worker was lost.
"""

import socket
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from typing import Any

from sqlalchemy.orm import Session

from api.advice import storage as answers
from api.database import Database
from api.installations import storage as installations
from api.jobs import waiting
from api.log import service as log
from api.pool.storage import prior_row
from api.refit.work import Order, refit_one
from model import MODEL_VERSION
from shared.errors import InvalidValueError

__all__ = ["Work", "due", "on_processes", "on_scheduler", "refit_fleet"]

Work = Callable[[Order], dict[str, Any]]
Workers = Callable[[list[Order], Work], Iterator[tuple[Order, dict[str, Any]]]]


def due(database: Database, seed: int) -> list[int]:
    """Installations whose stored answer is not of this model, this seed and the log as it stands."""
    with database.reading() as session:
        return [each.installation_id for each in waiting.due(session, seed)]


def _order(session: Session, installation_id: int, seed: int) -> Order:
    row, prior = installations.get(session, installation_id), prior_row(session, installation_id)
    return Order(
        installation_id,
        log.state_of(session, installation_id),
        seed,
        row.document,
        tuple({"kind": kind, "document": document} for kind, document in log.standing(session, installation_id)),
        None if prior is None else prior.document,
    )


def refit_fleet(
    database: Database, seed: int, workers: Workers, progress: Callable[[int, int], None], work: Work = refit_one
) -> int:
    """Refit every engine that needs it.

    Parameters
    ----------
    workers : callable
        `on_processes` or `on_scheduler`, made ready.
    progress : callable
        Told how many are done, of how many.
    work : callable
        What a worker does.

    Returns
    -------
    int
        Answers stored.
    """
    numbers = due(database, seed)
    with database.reading() as session:
        orders = [_order(session, number, seed) for number in numbers]
    stored = 0
    for done, (order, document) in enumerate(workers(orders, work), start=1):
        stored += _keep(database, order, document)
        progress(done, len(orders))
    return stored


def _keep(database: Database, order: Order, document: dict[str, Any]) -> bool:
    """Store an answer, unless it is there already or the log has grown since."""
    with database.unit() as session:
        installations.get(session, order.installation_id, lock=True)
        state = log.state_of(session, order.installation_id)
        if state != order.state:
            return False
        if answers.get(session, order.installation_id, state, order.seed, MODEL_VERSION) is not None:
            return False
        answers.put(session, order.installation_id, state, order.seed, MODEL_VERSION, document)
        return True


def on_processes(jobs: int) -> Workers:
    """Workers of this machine."""

    def run(orders: list[Order], work: Work) -> Iterator[tuple[Order, dict[str, Any]]]:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            futures = {pool.submit(work, order): order for order in orders}
            for future in as_completed(futures):
                yield futures[future], future.result()

    return run


def on_scheduler(address: str) -> Workers:
    """Workers of a Dask cluster; what a lost worker had begun is begun again elsewhere.

    Raises
    ------
    InvalidValueError
        If Dask is not installed, or nobody answers there.
    """

    def run(orders: list[Order], work: Work) -> Iterator[tuple[Order, dict[str, Any]]]:
        try:
            from distributed import Client
            from distributed import as_completed as completed
            from distributed.comm import get_address_host_port
        except ModuleNotFoundError:
            raise InvalidValueError(
                "a scheduler needs Dask", field="--scheduler", value=address, cure="Install eighth-turn[dask]."
            ) from None
        try:
            # asked beforehand: a client that was never connected waits long for its own end, and complains of it
            with socket.create_connection(get_address_host_port(address), timeout=10):
                pass
            client = Client(address, timeout=10, set_as_default=False)
        except (OSError, ValueError) as error:
            raise InvalidValueError(
                f"no scheduler answers there: {str(error).splitlines()[0]}",
                field="--scheduler",
                value=address,
                cure="Give the address it printed when it was started, such as tcp://127.0.0.1:8786.",
            ) from None
        with client:
            futures = {client.submit(work, order, pure=False): order for order in orders}
            for future in completed(futures, loop=client.loop):
                yield futures[future], future.result()

    return run
