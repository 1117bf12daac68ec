"""One calculation at a time, in the order in which they were asked for: a fit uses both cores."""

import math
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

from taperwise.api.core.admission import in_request, set_aside
from taperwise.shared.errors import NotReadyError

__all__ = ["Turns"]

_LONGEST_SECONDS = 8.0
"""A request that is foreseen to wait longer is told its place in the line at once."""

_FIRST_GUESS_SECONDS = 1.5
_AT_LEAST_SECONDS = 0.05  # what takes less was found in memory, and says nothing of how long a fit takes
_WEIGHT = 0.2


class Turns:
    """The line before the sampler. Safe to share between threads.

    Requests that wait give up their place among those that are worked on, so that others are served meanwhile.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[tuple[object, threading.Event]] = deque()
        self._of: object = None  # whose turn it is, while it is somebody's
        self._taken = False
        self._seconds = _FIRST_GUESS_SECONDS

    @contextmanager
    def turn(self, of: object = None) -> Iterator[None]:
        """Wait for a turn, and hold it.

        Parameters
        ----------
        of : hashable, optional
            Whose result it is. Those of one result count once in the line: whoever comes second finds it made.

        Raises
        ------
        NotReadyError
            Where a request would wait too long. What nobody waits for takes its turn however long that takes.
        """
        of = object() if of is None else of
        self._wait(of)
        begun = time.perf_counter()
        try:
            yield
        finally:
            self._leave(time.perf_counter() - begun)

    def _wait(self, of: object) -> None:
        with self._lock:
            if not self._taken:
                self._taken, self._of = True, of
                return
            ahead = len({self._of, *(other for other, _ in self._waiting)})
            if in_request() and ahead * self._seconds > _LONGEST_SECONDS:
                raise self._queued(ahead)
            mine = threading.Event()
            self._waiting.append((of, mine))
        if not set_aside():
            with self._lock:
                if not mine.is_set():
                    self._waiting.remove((of, mine))
                    raise self._queued(ahead)
        mine.wait()

    def _queued(self, ahead: int) -> NotReadyError:
        return NotReadyError(max(1, math.ceil(ahead * self._seconds)), ahead)

    def _leave(self, seconds: float) -> None:
        with self._lock:
            if seconds >= _AT_LEAST_SECONDS:
                self._seconds += _WEIGHT * (seconds - self._seconds)
            if self._waiting:
                self._of, first = self._waiting.popleft()
                first.set()
            else:
                self._taken = False
