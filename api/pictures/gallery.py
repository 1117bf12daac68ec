"""What the pictures are drawn from: the posterior as it stands, and every run held against what was known before it."""

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

from api.advice.desk import Desk
from api.log import service
from model.learning import evidence
from model.setting import portrait
from shared.advice import Confidence, Holding, Prediction
from shared.runs import Run

__all__ = ["Gallery", "LookedBack", "Portraits"]

_MOST_RUNS, _MOST_PORTRAITS = 2000, 16


@dataclass(frozen=True)
class LookedBack:
    """A run, what was foretold of it (None where that cannot be told), and the confidence it led to."""

    number: int
    run: Run
    foretold: Prediction | None
    confidence: Confidence


@dataclass(frozen=True)
class Portraits:
    """All that the pictures of one log show, in SI."""

    around: portrait.Around
    along: portrait.Along
    holding: Holding
    runs: tuple[LookedBack, ...]
    converged: bool


class Gallery:
    """Makes portraits and remembers them; runs looked back on are remembered by what led to them.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._lock = threading.Lock()
        self._runs: OrderedDict[Any, LookedBack] = OrderedDict()
        self._portraits: OrderedDict[service.LogKey, Portraits] = OrderedDict()

    def portraits(self, log: service.Log) -> Portraits:
        """The portraits of a log; takes about a second a run the first time."""
        key = log.key
        with self._lock:
            if key in self._portraits:
                self._portraits.move_to_end(key)
                return self._portraits[key]
        runs = self.looked_back(log)
        learned = self._desk.learned(log)
        made = Portraits(
            around=portrait.around_the_target(learned.posterior),
            along=portrait.along_the_travel(learned.posterior),
            holding=self._desk.will_it_hold(log, trusted=False),
            runs=runs,
            converged=learned.posterior.diagnostics.converged,
        )
        self._keep(self._portraits, key, made, _MOST_PORTRAITS)
        return made

    def kept(self, log: service.Log) -> Portraits | None:
        """The portraits of a log where they are made already."""
        with self._lock:
            return self._portraits.get(log.key)

    def looked_back(self, log: service.Log) -> tuple[LookedBack, ...]:
        """Every run of a log, in order."""
        found: list[LookedBack] = []
        last = -1
        for i, entry in enumerate(log.entries):
            if isinstance(entry, Run):
                found.append(self._look_back(log, last, i, len(found) + 1))
                last = i
        return tuple(found)

    def _look_back(self, log: service.Log, last: int, this: int, number: int) -> LookedBack:
        installation, entries = log.installation, log.entries
        key = (installation, log.prior, tuple(entries[: this + 1]))
        with self._lock:
            if key in self._runs:
                self._runs.move_to_end(key)
                return self._runs[key]
        run = entries[this]
        assert isinstance(run, Run)  # noqa: S101 - narrows what the caller chose
        before = self._desk.learn_roughly(installation, entries[: last + 1], log.prior)
        position = evidence.replay(installation, entries[:this])[0]
        told = None
        if before.posterior.diagnostics.converged:
            told = portrait.foretold(before.posterior, position, run)
        after = self._desk.learn_roughly(installation, entries[: this + 1], log.prior)
        made = LookedBack(number, run, told, after.confidence)
        self._keep(self._runs, key, made, _MOST_RUNS)
        return made

    def _keep[K, V](self, memory: "OrderedDict[K, V]", key: K, made: V, most: int) -> None:
        with self._lock:
            memory[key] = made
            while len(memory) > most:
                memory.popitem(last=False)
