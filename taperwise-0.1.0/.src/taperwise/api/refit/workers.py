"""Workers of a refit: an executor over processes of this machine, or over a Dask cluster."""

import socket
from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager, suppress
from multiprocessing import get_context
from threading import Event
from typing import Any

from taperwise.api.log.service import Log
from taperwise.api.refit.work import begin
from taperwise.shared.errors import InvalidValueError

__all__ = ["Fit", "Opened", "fits", "is_lost", "on_processes", "on_scheduler"]

Fit = Future[dict[str, Any]]
Opened = tuple[Executor, Callable[[], int]]
"""An executor, and how many fits it makes at a time."""


@contextmanager
def on_processes(jobs: int) -> Iterator[Opened]:
    """Processes of this machine."""
    with ProcessPoolExecutor(jobs, get_context("spawn"), begin) as pool:
        yield pool, lambda: jobs


@contextmanager
def on_scheduler(address: str) -> Iterator[Opened]:
    """Workers of a Dask cluster, however many there are at the time.

    Raises
    ------
    InvalidValueError
        If Dask is not installed, or no scheduler answers, or no longer.
    """
    try:
        from distributed import Client  # optional
        from distributed.comm import get_address_host_port

        # asked beforehand: a client that was never connected waits long for its own end, and complains of it
        socket.create_connection(get_address_host_port(address), timeout=10).close()
        with Client(address, timeout=10, set_as_default=False) as client, client.get_executor(pure=False) as pool:
            yield pool, lambda: sum(client.nthreads().values()) or 1
    except (ModuleNotFoundError, OSError, ValueError) as error:
        missing = isinstance(error, ModuleNotFoundError)
        raise InvalidValueError(
            "A scheduler needs Dask"
            if missing
            else f"No scheduler answers at this address: {str(error).splitlines()[0]}",
            field="--scheduler",
            value=address,
            cure="Install the extra `dask`."
            if missing
            else "Give the address that the scheduler printed, such as tcp://127.0.0.1:8786.",
        ) from None


def is_lost(fit: Fit) -> bool:
    """Whether a fit ended because its worker was lost."""
    return not fit.cancelled() and type(fit.exception()).__name__ in ("BrokenProcessPool", "KilledWorker")


def fits(
    opened: Callable[[], AbstractContextManager[Opened]], logs: list[Log], work: Callable[[Log], Any], stop: Event
) -> Generator[tuple[Log, Fit]]:
    """Every log with its fit, as they end; those that were in hand when a worker was lost once more, each alone."""
    left, again = deque(logs), deque[Log]()
    while (left or again) and not stop.is_set():
        if alone := not left:
            left.append(again.popleft())
        in_hand, ended = dict[Fit, Log](), dict[Fit, Log]()
        with opened() as (executor, at_once):
            while True:
                room = at_once()  # asked even if nothing is left: fits of a scheduler that is gone may never end
                with suppress(BrokenExecutor):  # what it refuses stays on the list
                    while left and not stop.is_set() and len(in_hand) < room:
                        in_hand[executor.submit(work, left[0])] = left[0]
                        left.popleft()
                again += [log for fit, log in ended.items() if is_lost(fit) and not alone]
                yield from ((log, fit) for fit, log in ended.items() if alone or not is_lost(fit))
                if not in_hand:
                    break
                # not for ever: there may be more workers by then
                ended = {fit: in_hand.pop(fit) for fit in wait(in_hand, 1.0, FIRST_COMPLETED).done}
