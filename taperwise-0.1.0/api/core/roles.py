"""Roles of people, and the rule of every route: who may."""

from enum import StrEnum
from typing import Any

__all__ = ["RULE_KEY", "Role", "Rule", "Scope", "requires", "rule_of"]

RULE_KEY = "x-who-may"
"""Where a route says its rule; the OpenAPI document shows it."""


class Role(StrEnum):
    """Role of a person. One person can have several."""

    BUILDER = "builder"
    ADVISER = "adviser"
    POOL_KEEPER = "pool_keeper"
    ADMINISTRATOR = "administrator"


class Scope(StrEnum):
    """Scope of an access key."""

    EVERYTHING = "everything"
    READING = "reading"


class Rule(StrEnum):
    """Who may ask a route.

    ``owner`` and ``adviser`` are meant of the installation in the address; an installation that a person has nothing
    to do with is not there for them.
    """

    ANYONE = "anyone"
    SIGNED_IN = "people who are signed in"
    SETS_UP = "builders and advisers"
    SEES = "its owner and its advisers"
    OWNS = "its owner"
    KEEPS_POOL = "pool keepers"
    ADMINISTERS = "administrators"


def requires(rule: Rule) -> dict[str, Any]:
    """The rule as a keyword of a route's decorator; a route without one is open to nobody."""
    return {"openapi_extra": {RULE_KEY: str(rule)}}


def rule_of(route: Any) -> Rule | None:
    """The rule of a route; None if it has none."""
    said = (getattr(route, "openapi_extra", None) or {}).get(RULE_KEY)
    return None if said is None else Rule(said)
