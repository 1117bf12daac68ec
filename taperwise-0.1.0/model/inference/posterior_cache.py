"""Posteriors learned a moment ago, by the log they were learned from."""

import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.engine_prior import EnginePrior
from taperwise.model.inference.sampler import Posterior
from taperwise.shared.records import AcceptSetting, Acknowledge, Entry, Installation, TurnIdleStop, TurnScrew

__all__ = ["Log", "Memory"]


@dataclass(frozen=True)
class Log:
    """What a posterior is learned from.

    Parameters
    ----------
    entries : tuple of Run or Adjustment
        In the order in which they happened.
    prior : EnginePrior
        Of this engine.
    """

    installation: Installation
    entries: tuple[Entry, ...]
    prior: EnginePrior

    def telling(self) -> "Log":
        """Without what was turned or acknowledged since the last run: no reading tells of that yet."""
        end = len(self.entries)
        while end and isinstance(self.entries[end - 1], TurnScrew | TurnIdleStop | Acknowledge | AcceptSetting):
            end -= 1
        return self.until(end)

    def until(self, end: int) -> "Log":
        """The log as it was after that many entries."""
        return self if end == len(self.entries) else replace(self, entries=self.entries[:end])

    def evidence(self) -> Evidence:
        """The log laid out.

        Raises
        ------
        UnknownNeedleError
            If a needle was fitted that is not on hand.
        """
        return gather(self.installation, self.entries, self.prior)


class Memory:
    """The posteriors used last. Safe to share between threads.

    What was turned since the last run makes no difference to what is remembered; it does to the setting a posterior is
    seen at, so `recall` gives the evidence of the log that was asked for.

    Parameters
    ----------
    most : int
        Posteriors kept, the latest used.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._known: OrderedDict[Log, Posterior] = OrderedDict()
        self._lock = threading.Lock()

    def keep(self, log: Log, posterior: Posterior) -> None:
        """Remember a posterior as that of a log."""
        with self._lock:
            self._known[log.telling()] = posterior
            while len(self._known) > self._most:
                self._known.popitem(last=False)

    def recall(self, log: Log) -> Posterior | None:
        """What is remembered of a log, its evidence that of this very log."""
        told = log.telling()
        with self._lock:
            found = self._known.get(told)
            if found is None:
                return None
            self._known.move_to_end(told)
        return found if told == log else replace(found, evidence=log.evidence())
