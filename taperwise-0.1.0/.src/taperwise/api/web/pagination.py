"""Many installations: found by name or number, and leafed through."""

from typing import Annotated, NamedTuple
from urllib.parse import urlencode

from fastapi import Depends, Query

from taperwise.api.core.dependencies import Count
from taperwise.api.schemas.installation import Sought

__all__ = ["ON_A_LEAF", "Leafed", "PageRequest"]

ON_A_LEAF = 100
"""Installations shown at a time."""


class PageRequest(NamedTuple):
    """Page number and search text of a list request.

    Parameters
    ----------
    number : int
        Of the leaf, from 1.
    name : str
        Part of the name, or the number; empty for all.
    """

    number: int
    name: str

    @property
    def bounds(self) -> tuple[int, int]:
        """How many are shown at the most, and how many stand before them."""
        return ON_A_LEAF, (self.number - 1) * ON_A_LEAF

    def around(self, total: int) -> dict[str, str]:
        """Where the leaves beside it are, by the words of the links; none where all are shown."""
        found = {"Newer": self.number - 1, "Older": self.number + 1}
        last = -(-total // ON_A_LEAF)
        return {word: self._address(number) for word, number in found.items() if 1 <= number <= last}

    def _address(self, number: int) -> str:
        asked = {"name": self.name} if self.name else {}
        return "?" + urlencode(asked | {"leaf": str(number)})


async def _leaf(
    leaf: Annotated[Count, Query(ge=1, le=1_000_000)] = 1, name: Annotated[Sought, Query()] = ""
) -> PageRequest:
    return PageRequest(leaf, name)


Leafed = Annotated[PageRequest, Depends(_leaf)]
