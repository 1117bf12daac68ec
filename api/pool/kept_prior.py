"""The prior an installation started from, as it was kept: the same log gives the same answer, whatever came later."""

from typing import Any

from api.pool.tables import EnginePriorRow
from model.learning.engine_prior import EXPERT, EnginePrior

__all__ = ["prior_from_document", "prior_of"]


def prior_of(row: EnginePriorRow | None) -> EnginePrior:
    """The prior of a kept row; the expert's where there is none."""
    return prior_from_document(None if row is None else row.document)


def prior_from_document(document: dict[str, Any] | None) -> EnginePrior:
    """The prior of a kept document; the expert's where there is none."""
    if document is None:
        return EXPERT
    root = tuple(tuple(map(float, each)) for each in document["root"])
    odd = float(document.get("odd", 0.0))  # kept before there was one: none
    return EnginePrior(tuple(map(float, document["centre"])), root, odd)
