"""The prior an installation started from, as it was kept: the same log gives the same answer, whatever came later."""

from typing import Any, TypeGuard

from taperwise.api.pooling.tables import EnginePriorRow
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.population.scale import FIRST_SCALE, SCALE

__all__ = ["in_our_scale", "parsed", "prior_from_document", "prior_of"]


def prior_of(row: EnginePriorRow | None) -> EnginePrior:
    """The prior of a kept row; the expert's where there is none."""
    return prior_from_document(None if row is None else row.document)


def prior_from_document(document: dict[str, Any] | None) -> EnginePrior:
    """The prior of a kept document; the expert's where there is none, or none in units of this release."""
    return EXPERT if document is None or not in_our_scale(document) else parsed(document)


def parsed(document: dict[str, Any]) -> EnginePrior:
    """The prior of a document, in whatever units it is told.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is none.
    """
    root = tuple(tuple(map(float, each)) for each in document["root"])
    odd = float(document.get("odd", 0.0))  # kept before there was one: none
    return EnginePrior(tuple(map(float, document["centre"])), root, odd)


def in_our_scale(document: dict[str, Any] | None) -> TypeGuard[dict[str, Any]]:
    """Whether a kept document is there and in the units of this release."""
    return document is not None and document.get("scale", FIRST_SCALE) == SCALE
