"""Workers of a refit: processes of this machine, or those of a Dask cluster.

Whatever goes wrong with one engine comes back in the place of its answer, and the others go on.
"""

import signal
import socket
from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import get_context
from threading import Event
from typing import Any

from taperwise.api.refit.work import Order
from taperwise.shared.errors import InvalidValueError

__all__ = ["Failed", "Made", "Work", "Workers", "on_processes", "on_scheduler"]

_LOST_TWICE = "its worker ended without a word, and once more when it was alone; memory may have run out"


@dataclass(frozen=True)
class Failed:
    """Why there is no answer, in a line."""

    reason: str


_Fit = Future[dict[str, Any]]
Work = Callable[[Order], dict[str, Any]]
Made = tuple[Order, dict[str, Any] | Failed]
Workers = Callable[[list[Order], Work, Event], Generator[Made]]
"""Told the orders, what to do with each, and when to begin no more."""


def on_processes(jobs: int) -> Workers:
    """Workers of this machine; what was in hand when one was lost is tried once more at the end, each on its own."""

    def run(orders: list[Order], work: Work, stop: Event) -> Generator[Made]:
        left, suspected = deque(orders), deque[Order]()
        while left:
            suspected.extend((yield from _until_one_is_lost(jobs, left, work, stop)))
        while suspected:
            for order in (yield from _until_one_is_lost(1, suspected, work, stop)):
                yield order, Failed(_LOST_TWICE)

    return run


def _until_one_is_lost(jobs: int, left: deque[Order], work: Work, stop: Event) -> Generator[Made, None, list[Order]]:
    """Take from what is left until nothing is, or a worker is lost; returns what was in hand then."""
    in_hand: dict[_Fit, Order] = {}
    lost: list[Order] = []
    with _processes(jobs) as pool:
        _hand_out(pool, jobs, left, in_hand, work, stop)
        while in_hand:
            ended = wait(in_hand, return_when=FIRST_COMPLETED).done
            lost += [in_hand.pop(future) for future in ended if _lost(future)]
            if not lost:
                _hand_out(pool, jobs, left, in_hand, work, stop)
            for future in ended & in_hand.keys():
                yield in_hand.pop(future), _made(future)
    return lost


@contextmanager
def _processes(jobs: int) -> Iterator[ProcessPoolExecutor]:
    """Processes that leave an interruption to whoever started them; at the end only what is in hand is waited for."""
    ignored = (signal.SIGINT, signal.SIG_IGN)
    pool = ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=signal.signal, initargs=ignored)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _hand_out(
    pool: ProcessPoolExecutor, jobs: int, left: deque[Order], in_hand: dict[_Fit, Order], work: Work, stop: Event
) -> None:
    """One for each process and no more: it is then known what was in hand. Told to stop, nothing is left."""
    if stop.is_set():
        left.clear()
    with suppress(BrokenProcessPool):  # it stays on the list of what is left
        while left and sum(not future.done() for future in in_hand) < jobs:
            future = pool.submit(work, left[0])
            in_hand[future] = left.popleft()


def _lost(future: _Fit) -> bool:
    return isinstance(future.exception(), BrokenProcessPool)


def _made(future: _Fit) -> dict[str, Any] | Failed:
    """What came of it, waited for; a failure of whatever kind as its name and the first line of its words."""
    failure = future.exception()
    if failure is None:
        return future.result()
    if isinstance(failure, CancelledError):
        return Failed("it was cancelled; the scheduler may have ended")
    words = str(failure).strip().splitlines()
    return Failed(": ".join([type(failure).__name__, *words[:1]])[:300])


def on_scheduler(address: str) -> Workers:
    """Workers of a Dask cluster; what a lost worker had begun is begun again elsewhere, until Dask gives it up.

    Raises
    ------
    InvalidValueError
        If Dask is not installed, or nobody answers there.
    """

    def run(orders: list[Order], work: Work, stop: Event) -> Generator[Made]:
        client, as_completed = _connected(address)
        # a future of ours keeps whatever asking for a result of the cluster raises
        with ThreadPoolExecutor(1) as asking, client:
            futures = {client.submit(work, order, pure=False): order for order in orders}
            for future in as_completed(futures, loop=client.loop):
                yield futures[future], _made(asking.submit(future.result))
                if stop.is_set():
                    return

    return run


def _connected(address: str) -> tuple[Any, Any]:
    """A client of the scheduler, and what waits for its futures."""
    try:
        from distributed import Client, as_completed  # optional
        from distributed.comm import get_address_host_port
    except ModuleNotFoundError:
        raise InvalidValueError(
            "a scheduler needs Dask", field="--scheduler", value=address, cure="Install taperwise[dask]."
        ) from None
    try:
        # asked beforehand: a client that was never connected waits long for its own end, and complains of it
        with socket.create_connection(get_address_host_port(address), timeout=10):
            pass
        return Client(address, timeout=10, set_as_default=False), as_completed
    except (OSError, ValueError) as error:
        raise InvalidValueError(
            f"no scheduler answers there: {str(error).splitlines()[0]}",
            field="--scheduler",
            value=address,
            cure="Give the address it printed when it was started, such as tcp://127.0.0.1:8786.",
        ) from None
