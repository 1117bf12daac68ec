"""One engine refitted: what a worker does, wherever it runs."""

import os
import signal
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # a process has to begin before it loads what they need
    from taperwise.api.log.service import Log
    from taperwise.model.recommender import Recommender

__all__ = ["begin", "refit_one"]


def begin() -> None:
    """Makes a process ready: it leaves interruptions to its parent and draws on one thread, as Dask's workers do."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.setdefault("OMP_NUM_THREADS", "1")


def refit_one(seed: int, log: "Log") -> dict[str, Any]:
    """The suggestion for one engine, made anew, and the earlier fits that the next ones need, by key."""
    from taperwise.api.recommendations.repository import as_document

    learned = _recommender(seed).learn(log.installation, log.entries, log.prior)
    return {"answer": as_document(_recommender(seed).suggest(learned)), "earlier_fits": dict(learned.to_keep)}


@cache
def _recommender(seed: int) -> "Recommender":
    from taperwise.api.recommendations.factory import make_recommender

    made = make_recommender(seed, cores=1)
    made.prepare()
    return made
