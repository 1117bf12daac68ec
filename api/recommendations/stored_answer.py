"""Answers as they are kept: codes and figures in SI, so that words and units are made when they are shown."""

from typing import Any

from pydantic import TypeAdapter, ValidationError

from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.schemas.units import Units
from taperwise.shared.recommendation import Suggestion

__all__ = ["as_document", "in_units"]

_SUGGESTION: TypeAdapter[Suggestion] = TypeAdapter(Suggestion)


def as_document(suggestion: Suggestion) -> dict[str, Any]:
    """What to keep of an answer."""
    document: dict[str, Any] = _SUGGESTION.dump_python(suggestion, mode="json")
    return document


def in_units(kept: dict[str, Any] | None, units: Units, *, brief: bool = False) -> SuggestionOut | None:
    """A kept answer as it is shown; None where it was kept by a release whose answers looked different.

    Parameters
    ----------
    kept : dict or None
        As `as_document` made it.
    units : Units
    brief : bool
        Whether the alternatives, which hold most of the figures, are left out: a list shows a hundred answers.
    """
    if kept is None:
        return None
    try:
        found = _SUGGESTION.validate_python(kept | {"alternatives": []} if brief else kept)
    except ValidationError:
        return None
    return suggestion_out(found, units)
