"""How long it still takes until the sampler is compiled, estimated from how long its first steps took here."""

import math
import threading
import time
from collections.abc import Callable

from taperwise.model.inference.compiled_logp import BUILDING, COMPILING, TAKING_UP

__all__ = ["Countdown"]

_USUAL_SECONDS = {TAKING_UP: 1.5, BUILDING: 6.0, COMPILING: 52.0}
"""What each step takes on two idle cores of a server of 2025, measured; another machine differs in pace."""


class Countdown:
    """Listens to the steps of getting ready, and estimates what is left. Safe to share between threads.

    Parameters
    ----------
    clock : callable
        Seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._step = BUILDING
        self._since = clock()
        self._pace = 1.0

    def hear(self, words: str) -> None:
        """A step began; what the one before it took tells this machine's pace."""
        step = next((known for known in _USUAL_SECONDS if known in words), None)
        if step is None:
            return
        with self._lock:
            now = self._clock()
            if self._step == BUILDING and step == COMPILING:
                self._pace = max(0.1, (now - self._since) / _USUAL_SECONDS[BUILDING])
            self._step, self._since = step, now

    def seconds_left(self) -> int:
        """Whole seconds, 1 at the least; of a step that takes longer than foreseen a tenth is said to be left."""
        with self._lock:
            gone, usual = self._clock() - self._since, self._pace * _USUAL_SECONDS[self._step]
            later = self._pace * _USUAL_SECONDS[COMPILING] if self._step == BUILDING else 0.0
        return max(1, math.ceil(max(usual - gone, 0.1 * usual) + later))
