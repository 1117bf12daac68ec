"""Many installations: found by name or number, and leafed through."""

from typing import Annotated, NamedTuple
from urllib.parse import urlencode

from fastapi import Depends, Query

from api.wire.installation import Sought

__all__ = ["Leaf", "Leafed"]


class Leaf(NamedTuple):
    """What is asked for of a list.

    Parameters
    ----------
    number : int
        Of the leaf, from 1.
    name : str
        Part of the name, or the number; empty for all.
    """

    number: int
    name: str

    def offset(self, most: int) -> int:
        """How many stand before it, with so many on a leaf."""
        return (self.number - 1) * most

    def around(self, total: int, most: int) -> dict[str, str]:
        """Where the leaves beside it are, by the words of the links; none where all are shown."""
        found = {"Newer": self.number - 1, "Older": self.number + 1}
        last = -(-total // most)
        return {word: self._address(number) for word, number in found.items() if 1 <= number <= last}

    def _address(self, number: int) -> str:
        asked = {"name": self.name} if self.name else {}
        return "?" + urlencode(asked | {"leaf": str(number)})


def _leaf(leaf: Annotated[int, Query(ge=1, le=1_000_000)] = 1, name: Annotated[Sought, Query()] = "") -> Leaf:
    return Leaf(leaf, name)


Leafed = Annotated[Leaf, Depends(_leaf)]
