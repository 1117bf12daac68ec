"""One calculation at a time, in the order in which they were asked for: a fit uses both cores."""

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Hashable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from typing import cast

from taperwise.api.core.admission import set_aside
from taperwise.api.presentation.recorded_text import still_calculated
from taperwise.api.recommendations.patience import USUAL_SECONDS, Patience
from taperwise.shared.errors import NotReadyError, TaperwiseError

__all__ = ["BeingMadeError", "Turns"]

_FIRST_GUESS_SECONDS = 1.5
_AT_LEAST_SECONDS = 0.05  # what takes less was found in memory, and says nothing of how long a fit takes
_WEIGHT = 0.2
_LEAST_LEFT_SECONDS = 1.0  # of what takes a little longer than usual; after that nobody knows what is left
_ASK_AGAIN_SECONDS = 10  # then


class BeingMadeError(NotReadyError):
    """Raised where a result, or others before it, take longer to calculate than a request waits.

    Parameters
    ----------
    ahead : int
        Other results that are calculated first.
    seconds : float or None
        Until the result is there, estimated [s]; None where what is calculated now takes longer than usual.

    Attributes
    ----------
    going_on : str
        What goes on, without full stop.
    then : str
        When to ask again: ``in 10 s``.
    overdue : bool
        Whether what is calculated now takes longer than usual.
    """

    def __init__(self, ahead: int, seconds: float | None) -> None:
        whole = None if seconds is None else max(1, math.ceil(seconds))
        super().__init__(_ASK_AGAIN_SECONDS if whole is None else whole, ahead)
        self.going_on, self.then = still_calculated(ahead, whole), f"in {self.seconds} s"
        self.overdue = whole is None
        TaperwiseError.__init__(self, self.going_on, cure=f"What you recorded is saved. Ask again {self.then}.")


class Turns:
    """The line before the sampler. Safe to share between threads.

    Requests that wait give up their place among those that are worked on, so that others are served meanwhile.

    Parameters
    ----------
    wait_seconds : float
        How long a request waits, in the line and for its result together [s].
    clock : callable
        Seconds that only go forward.

    Attributes
    ----------
    patience : Patience
        Of requests.
    """

    def __init__(self, wait_seconds: float = USUAL_SECONDS, clock: Callable[[], float] = time.perf_counter) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._waiting: deque[tuple[Hashable, Future[None]]] = deque()
        self._of: Hashable = None  # whose turn it is, while it is somebody's
        self._taken = False
        self._since = 0.0  # when that turn began
        self._seconds = _FIRST_GUESS_SECONDS
        self.patience = Patience(wait_seconds)

    @contextmanager
    def turn(self, of: Hashable = None) -> Iterator[None]:
        """Wait for a turn, and hold it.

        Parameters
        ----------
        of : hashable, optional
            Whose result it is. Those of one result count once in the line: whoever comes second finds it made.

        Raises
        ------
        BeingMadeError
            Where a request would wait too long. What nobody waits for takes its turn however long that takes.
        """
        of = object() if of is None else of
        self._wait(of)
        begun = self._clock()
        try:
            yield
        finally:
            self._leave(self._clock() - begun)

    def result[A, T](
        self, of: Hashable, key: Hashable, calculate: Callable[[], A], then: Callable[[A], T] | None = None
    ) -> T:
        """What is calculated in a turn. Where the request is let go meanwhile, whoever asks next finds it made.

        Parameters
        ----------
        of : hashable
            As for `turn`.
        key : hashable
            What is calculated, and of which log.
        calculate : callable
            Needs the turn.
        then : callable, optional
            Makes of that what is returned, and needs no turn.

        Raises
        ------
        BeingMadeError
            Where a request would wait too long.
        """
        there = self.patience.fetched(key)
        if there is not None:
            return cast(T, there.result())
        held = ExitStack()
        held.enter_context(self.turn(of))

        def made() -> T:
            with held:
                found = calculate()
            return cast(T, found) if then is None else then(found)

        return self.patience.result(key, made, lambda: self.told(of))

    def going_on(self, of: Hashable) -> BeingMadeError | None:
        """What is before a result that is calculated, or in the line; None where it is neither."""
        with self._lock:
            asked = self._taken and of in (self._of, *(other for other, _ in self._waiting))
        return self.told(of) if asked else None

    def told(self, of: Hashable) -> BeingMadeError:
        """What is before this result, and how long that and itself take: what is calculated now the rest of its time.

        A result that is in the line has before it only what came earlier.
        """
        with self._lock:
            return self._told(of)

    def _told(self, of: Hashable) -> BeingMadeError:
        before = [self._of] if self._taken else []
        before += [other for other, _ in self._waiting]
        if of in before:
            del before[before.index(of) :]
        ahead, gone = len(set(before)), self._clock() - self._since
        if not self._taken:
            return BeingMadeError(0, self._seconds)
        if gone > self._seconds + _LEAST_LEFT_SECONDS:
            return BeingMadeError(ahead, None)
        return BeingMadeError(ahead, max(self._seconds - gone, _LEAST_LEFT_SECONDS) + ahead * self._seconds)

    def _wait(self, of: Hashable) -> None:
        with self._lock:
            if not self._taken:
                self._take(of)
                return
            told = self._told(of)
            mine = Future[None]()
            self._waiting.append((of, mine))
        patient = told.seconds <= self.patience.left and set_aside()
        if patient and self.patience.comes(mine):
            return
        with self._lock:
            if not mine.done():
                self._waiting.remove((of, mine))
                raise self._told(of)

    def _take(self, of: Hashable) -> None:
        self._taken, self._of, self._since = True, of, self._clock()

    def _leave(self, seconds: float) -> None:
        with self._lock:
            if seconds >= _AT_LEAST_SECONDS:
                self._seconds += _WEIGHT * (seconds - self._seconds)
            if self._waiting:
                of, first = self._waiting.popleft()
                self._take(of)
                first.set_result(None)
            else:
                self._taken = False
