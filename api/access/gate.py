"""The gate: every route's rule, held against whoever asks, before the route does anything."""

from typing import Annotated

from fastapi import Depends, Request

from api.access import storage
from api.access.caller import NOBODY, Caller
from api.access.roles import Role, Rule, rule_of
from api.database import Database
from shared.errors import ForbiddenError, NotFoundError, UnknownCallerError

__all__ = ["Asker", "admit"]

_READS = ("GET", "HEAD", "OPTIONS")
_ROLES = {
    Rule.SETS_UP: (Role.BUILDER, Role.ADVISER),
    Rule.KEEPS_POOL: (Role.POOL_KEEPER,),
    Rule.ADMINISTERS: (Role.ADMINISTRATOR,),
}


def admit(request: Request) -> None:
    """Hold the route's rule against whoever asks; a route without a rule is open to nobody.

    Raises
    ------
    UnknownCallerError, ForbiddenError, NotFoundError
        If they may not. What somebody has nothing to do with is not there for them.
    """
    caller, route = _asker(request), request.scope["route"]
    rule = rule_of(route)
    if rule is Rule.ANYONE or (caller.everything and rule is not None):
        return
    if not caller.known:
        raise UnknownCallerError(
            "this needs a key", field="authorization", value="nothing",
            cure="Send `Authorization: Bearer KEY`; an administrator makes keys.",
        )  # fmt: skip
    if caller.only_reads and request.method not in _READS:
        raise ForbiddenError("this key is for reading only", cure="Use another key.")
    if rule in (Rule.SEES, Rule.OWNS):
        _of_installation(request, caller, rule)
    elif rule is None or not caller.has(*_ROLES.get(rule, tuple(caller.roles))):
        needed = "nobody may do this" if rule is None else f"this is for {rule}"
        raise ForbiddenError(needed, cure="Ask an administrator for the role.")


def _of_installation(request: Request, caller: Caller, rule: Rule) -> None:
    given = request.path_params["installation_id"]
    if not str(given).isdecimal() or len(str(given)) > 18:
        return  # no installation has such a number: the route refuses it
    database: Database = request.app.state.database
    with database.reading() as session:
        relation = storage.relation(session, int(given), caller.person_id or 0)
    if relation == "owner" or (relation == "adviser" and Role.ADVISER in caller.roles and rule is Rule.SEES):
        return
    if relation == "adviser" and Role.ADVISER in caller.roles:
        raise ForbiddenError("this is for the owner of the installation", cure="Ask the owner.")
    raise NotFoundError("no such installation", field="installation_id", value=int(given), cure="Set it up first.")


def _asker(request: Request) -> Caller:
    caller: Caller = request.scope.get("state", {}).get("caller", NOBODY)
    return caller


Asker = Annotated[Caller, Depends(_asker)]
"""Whoever asks."""
