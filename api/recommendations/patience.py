"""A request waits a few seconds for its result; what it asked for is then finished without it."""

import math
import threading
from collections.abc import Callable, Hashable
from concurrent.futures import FIRST_COMPLETED, Future, wait
from typing import Any

from taperwise.api.core.admission import in_request, set_aside, unattended, waited_seconds

__all__ = ["USUAL_SECONDS", "Patience"]

USUAL_SECONDS = 4.0
"""How long a request waits where nothing else is said, counted from its arrival [s]."""

_MOST_KEPT = 8  # results, or failures, of requests that were let go


class Patience:
    """How long requests wait, and what came of those that were let go. Safe to share between threads.

    Parameters
    ----------
    seconds : float
        For all that one request waits for, from its arrival on [s].
    """

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._ending: Future[None] = Future()
        self._lock = threading.Lock()
        self._going: set[Future[Any]] = set()
        self._kept: dict[Hashable, Future[Any]] = {}

    @property
    def left(self) -> float:
        """How long the request that is served now may still wait; without end outside requests [s]."""
        if not in_request():
            return math.inf
        return 0.0 if self._ending.done() else max(0.0, self.seconds - waited_seconds())

    def end(self) -> None:
        """Let all requests go that wait now or later: the service is told to end."""
        if not self._ending.done():
            self._ending.set_result(None)

    def close(self) -> None:
        """As `end`, and wait until what requests had begun is finished."""
        self.end()
        with self._lock:
            going = list(self._going)
        wait(going)

    def comes(self, future: "Future[Any]", at_most: float = math.inf) -> bool:
        """Wait, beside the places of other requests, as long as there is patience; whether it came.

        Parameters
        ----------
        at_most : float
            Wait no longer than that, either [s].
        """
        left = min(self.left, at_most)
        if left == math.inf:
            wait([future])
        elif left > 0.0 and not future.done() and set_aside():
            wait([future, self._ending], left, FIRST_COMPLETED)
        return future.done()

    def result[T](self, key: Hashable, make: Callable[[], T], late: Callable[[], Exception]) -> T:
        """What `make` makes; where a request would wait too long `late` is raised, and it is made all the same.

        Parameters
        ----------
        key : hashable
            What is asked for, and of which log. What comes after the request was let go is for whoever asks with the
            same key next (`fetched`), and so is what goes wrong.
        """
        if not in_request():
            return make()
        future = Future[T]()
        work = unattended(lambda: self._fill(future, make))
        with self._lock:
            self._going.add(future)
        try:
            threading.Thread(target=work, daemon=True, name="result").start()
        except RuntimeError:  # there is no further thread: then it is made in this one
            work()
        if not self.comes(future):
            future.add_done_callback(lambda done: self._keep(key, done))
            raise late()
        return future.result()

    def fetched(self, key: Hashable) -> "Future[Any] | None":
        """What came of a request that was let go, once; None where nothing did yet."""
        with self._lock:
            return self._kept.pop(key, None)

    def _keep(self, key: Hashable, done: "Future[Any]") -> None:
        with self._lock:
            self._kept[key] = done
            while len(self._kept) > _MOST_KEPT:
                del self._kept[next(iter(self._kept))]

    def _fill(self, future: "Future[Any]", make: Callable[[], Any]) -> None:
        try:
            future.set_result(make())
        except BaseException as error:  # noqa: BLE001 - whoever waits has it raised
            future.set_exception(error)
        with self._lock:
            self._going.discard(future)
