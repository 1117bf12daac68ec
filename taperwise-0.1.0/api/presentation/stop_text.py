"""The sentences of a stop: which limit was exceeded, and what to do now."""

from collections.abc import Sequence

from taperwise.api.presentation.instruction_text import exceeded_words
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import Exceeded

__all__ = ["stop_sentence"]


def stop_sentence(exceeded: Sequence[Exceeded], units: Units) -> str:
    """The stop in words; empty where no limit was exceeded.

    Parameters
    ----------
    exceeded : sequence of Exceeded
    units : Units
        Of the installation.
    """
    if not exceeded:
        return ""
    return " ".join(dict.fromkeys(exceeded_words(each, units) for each in exceeded))
