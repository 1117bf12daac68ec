"""One engine refitted: what a worker does, wherever it runs."""

import base64
import os
import signal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # a process has to begin before it loads what they need
    from taperwise.api.log.service import Log
    from taperwise.model.recommender import Recommender

__all__ = ["begin", "refit_one"]

_advisers: dict[int, "Recommender"] = {}


def begin() -> None:
    """Makes a process ready: it leaves interruptions to its parent and draws on one thread, as Dask's workers do."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.setdefault("OMP_NUM_THREADS", "1")


def refit_one(seed: int, log: "Log") -> dict[str, Any]:
    """The suggestion for one engine, made anew, and the earlier fits that the next ones need, by key in base 64."""
    from taperwise.api.recommendations.factory import make_recommender
    from taperwise.api.recommendations.repository import as_document

    if seed not in _advisers:
        _advisers[seed] = make_recommender(seed, cores=1)
        _advisers[seed].prepare()
    learned = _advisers[seed].learn(log.installation, log.entries, log.prior)
    kept = {key: base64.b64encode(content).decode() for key, content in learned.to_keep.items()}
    return {"answer": as_document(_advisers[seed].suggest(learned)), "earlier_fits": kept}
