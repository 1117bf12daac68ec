"""What may be published, seen by whom it could expose."""

from collections.abc import Iterable, Mapping

__all__ = ["FLOOR", "FLOOR_LEAST", "disclosure_violation"]

FLOOR = 5
"""Distinct owners behind anything published; usual disclosure threshold (El Emam, as in the references)."""

FLOOR_LEAST = 3
"""No setting goes below (same source)."""

Members = Mapping[str, str]
"""Contribution's digest to its owner."""


def disclosure_violation(
    members: Members, earlier: Iterable[Members], floor: int, elsewhere: Iterable[Members] = ()
) -> str:
    """Why these contributions may not be published; empty if they may.

    Whoever sees two versions sees their difference, so any two versions, not only neighbours, must differ by at least
    `floor` distinct owners, came they or went. The same holds for what other services may have published; only to
    publish what they have tells nothing new.
    """
    owners = set(members.values())
    if len(owners) < floor:
        return f"{len(owners)} distinct owners stand behind it; it takes {floor}"
    for number, before in enumerate(earlier, start=1):
        changed = _changed(members, before)
        if not changed:
            return f"it would be the same as version {number}"
        if len(changed) < floor:
            return f"it would differ from version {number} by {len(changed)} owners; it takes {floor}"
    for there in elsewhere:
        if 0 < (few := len(_changed(members, there))) < floor:
            return f"it would differ by {few} owners from what another service may publish; it takes {floor}"
    return ""


def _changed(one: Members, other: Members) -> set[str]:
    """Owners of what is in only one of the two."""
    return {one.get(d) or other[d] for d in one.keys() ^ other.keys()}
