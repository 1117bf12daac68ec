"""One engine refitted: what a worker does, wherever it runs. Everything goes in and comes out as plain JSON."""

import base64
import os
from dataclasses import dataclass
from typing import Any

__all__ = ["Order", "refit_one"]

_adviser: Any = None


@dataclass(frozen=True)
class Order:
    """An engine to refit.

    Parameters
    ----------
    installation_id, state : int
        Which engine, and how far its log had come.
    seed : int
    sent : dict
        Installation as sent.
    entries : tuple of dict
        Its log: ``{"kind", "document"}``, corrections followed.
    prior : dict or None
        The prior it started from.
    """

    installation_id: int
    state: int
    seed: int
    sent: dict[str, Any]
    entries: tuple[dict[str, Any], ...]
    prior: dict[str, Any] | None


def _prepared(seed: int) -> Any:
    """The worker's own adviser, compiled once."""
    global _adviser
    if _adviser is None or _adviser.seed != seed:
        os.environ.setdefault("OMP_NUM_THREADS", "1")
        from taperwise.api.recommendations.factory import make_recommender  # after that, or it would not be heard

        _adviser = make_recommender(seed, cores=1)
        _adviser.prepare()
    return _adviser


def refit_one(order: Order) -> dict[str, Any]:
    """The suggestion of one engine, made anew, and the earlier fits that the next ones need, by key in base 64."""
    adviser = _prepared(order.seed)
    from taperwise.api.installations.prior import prior_from_document

    # a worker loads what it needs once it is told how many threads it may have
    from taperwise.api.log.service import record_of
    from taperwise.api.recommendations.repository import as_document
    from taperwise.api.schemas.installation import InstallationIn

    sent = InstallationIn.model_validate(order.sent)
    entries = [record_of(e["kind"], e["document"], sent) for e in order.entries]
    learned = adviser.learn(sent.record(), entries, prior_from_document(order.prior))
    document = as_document(adviser.suggest(learned))
    kept = {key: base64.b64encode(content).decode() for key, content in learned.to_keep.items()}
    return {"answer": document, "earlier_fits": kept}
