"""Workers of a refit: an executor over processes of this machine, or over a Dask cluster."""

import socket
from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import get_context
from threading import Event
from typing import Any

from taperwise.api.log.service import Log
from taperwise.api.refit.work import begin
from taperwise.shared.errors import InvalidValueError

__all__ = ["Fit", "Workers", "fits", "on_processes", "on_scheduler"]

Fit = Future[dict[str, Any]]


@dataclass(frozen=True)
class Workers:
    """Where fits are made.

    Parameters
    ----------
    executor : callable
        Opens a new executor, with a function that says how many fits it makes at a time.
    lost : type of Exception
        What a fit raises if its worker was lost.
    """

    executor: Callable[[], AbstractContextManager[tuple[Executor, Callable[[], int]]]]
    lost: type[Exception]


def on_processes(jobs: int) -> Workers:
    """Processes of this machine."""

    @contextmanager
    def executor() -> Iterator[tuple[Executor, Callable[[], int]]]:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=begin) as pool:
            yield pool, lambda: jobs

    return Workers(executor, BrokenProcessPool)


def on_scheduler(address: str) -> Workers:
    """Workers of a Dask cluster, however many there are at the time.

    Raises
    ------
    InvalidValueError
        If Dask is not installed. The executor raises it if no scheduler answers, or no longer.
    """
    try:
        from distributed import Client, KilledWorker  # optional
        from distributed.comm import get_address_host_port
    except ModuleNotFoundError:
        raise InvalidValueError(
            "a scheduler needs Dask", field="--scheduler", value=address, cure="Install taperwise[dask]."
        ) from None

    @contextmanager
    def executor() -> Iterator[tuple[Executor, Callable[[], int]]]:
        try:
            # asked beforehand: a client that was never connected waits long for its own end, and complains of it
            socket.create_connection(get_address_host_port(address), timeout=10).close()
            with (
                Client(address, timeout=10, set_as_default=False) as client,
                client.get_executor(pure=False) as pool,
            ):
                yield pool, lambda: sum(client.nthreads().values()) or 1
        except (OSError, ValueError) as error:
            raise InvalidValueError(
                f"no scheduler answers there: {str(error).splitlines()[0]}",
                field="--scheduler",
                value=address,
                cure="Give the address it printed when it was started, such as tcp://127.0.0.1:8786.",
            ) from None

    return Workers(executor, KilledWorker)


def fits(
    workers: Workers, logs: list[Log], work: Callable[[Log], dict[str, Any]], stop: Event
) -> Generator[tuple[Log, Fit]]:
    """Every log with its fit, as they end; those that were in hand when a worker was lost once more, each alone."""
    left, again = deque(logs), list[Log]()
    while left and not stop.is_set():
        again += yield from _until_broken(workers, left, work, stop)
    for log in again:
        yield from _until_broken(workers, deque([log]), work, stop, again=False)


def _until_broken(
    workers: Workers, left: deque[Log], work: Callable[[Log], dict[str, Any]], stop: Event, again: bool = True
) -> Generator[tuple[Log, Fit], None, list[Log]]:
    """Takes from what is left while the executor lasts; returns what a lost worker had in hand, if it is due again."""
    in_hand, ended, lost = dict[Fit, Log](), dict[Fit, Log](), list[Log]()
    with workers.executor() as (executor, at_once):
        while True:
            room = at_once()  # asked even if nothing is left: fits of a scheduler that is gone may never end
            with suppress(workers.lost):  # what a broken executor refuses stays on the list
                while left and not stop.is_set() and len(in_hand) < room:
                    in_hand[executor.submit(work, left[0])] = left[0]
                    left.popleft()
            for fit, log in ended.items():
                if again and not fit.cancelled() and isinstance(fit.exception(), workers.lost):
                    lost.append(log)
                else:
                    yield log, fit
            if not in_hand:
                return lost
            # not for ever: there may be more workers by then
            ended = {fit: in_hand.pop(fit) for fit in wait(in_hand, 1.0, FIRST_COMPLETED).done}
