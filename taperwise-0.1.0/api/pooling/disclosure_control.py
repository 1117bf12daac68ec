"""What may be published, seen by whom it could expose."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

__all__ = ["FLOOR", "FLOOR_LEAST", "Behind", "Members", "disclosure_violation"]

FLOOR = 5
"""Distinct owners behind anything published; usual disclosure threshold (El Emam, as in the references)."""

FLOOR_LEAST = 3
"""No setting goes below (same source)."""


class Behind(NamedTuple):
    """Whose an engine in a version is, and the digest of the log it was summarised from."""

    owner: str
    log: str


Members = Mapping[str, Behind]
"""By the digest that an engine is known by."""


def disclosure_violation(members: Members, earlier: Iterable[Members], floor: int) -> str:
    """Why these engines may not be published; empty if they may.

    Whoever sees two versions sees their difference, so any two versions, not only neighbours, must differ by at least
    `floor` distinct owners, whether their engines came, went or were run on.
    """
    owners = {each.owner for each in members.values()}
    if len(owners) < floor:
        return f"The new version has {_owners(len(owners))}, but needs at least {floor}"
    for number, before in enumerate(earlier, start=1):
        changed = _changed(members, before)
        if not changed:
            return f"The new version would be the same as version {number}"
        if len(changed) < floor:
            return (
                f"The new version would reveal a change by only {_owners(len(changed))} since version {number}. "
                f"At least {floor} must change"
            )
    return ""


def _owners(count: int) -> str:
    return "1 owner" if count == 1 else f"{count} owners"


def _changed(one: Members, other: Members) -> set[str]:
    """Owners of the engines that are not the same in both; an engine whose log another holds, too, is one."""
    nobody = Behind("", "")
    engines = [e for e in one.keys() | other.keys() if one.get(e, nobody).log != other.get(e, nobody).log]
    return {(one.get(e) or other[e]).owner for e in engines}
