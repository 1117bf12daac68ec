"""The gate: every route's rule, held against whoever asks, before the route does anything."""

from typing import Annotated

from fastapi import Depends, Path, Request
from starlette.concurrency import run_in_threadpool

from taperwise.api.accounts import repository
from taperwise.api.accounts.principal import NOBODY, Caller
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Number, number_in
from taperwise.api.core.roles import Role, Rule, rule_of
from taperwise.shared.errors import ForbiddenError, NotFoundError, UnknownCallerError

__all__ = ["Asker", "InstallationId", "admitted", "authorize"]

_READS = ("GET", "HEAD", "OPTIONS")
_ROLES = {
    Rule.SETS_UP: (Role.BUILDER, Role.ADVISER),
    Rule.KEEPS_POOL: (Role.POOL_KEEPER,),
    Rule.ADMINISTERS: (Role.ADMINISTRATOR,),
}


async def authorize(request: Request) -> None:
    """Hold the route's rule against the caller; a route without a rule is open to nobody.

    Raises
    ------
    UnknownCallerError, ForbiddenError, NotFoundError
        If they may not. Other people's installations answer 404, so ids cannot be enumerated. So does a number that
        the routes would not read.
    """
    caller, route = await _asker(request), request.scope["route"]
    rule = rule_of(route)
    if caller.everything and rule is not None:
        request.state.admitted = number_in(request.path_params.get("installation_id"))
        return
    if rule is Rule.ANYONE:
        return
    if not caller.known:
        raise UnknownCallerError(
            "This address needs an access key", field="authorization", value="nothing",
            cure="Send `Authorization: Bearer KEY`. Your administrator can make an access key.",
        )  # fmt: skip
    if caller.only_reads and request.method not in _READS:
        raise ForbiddenError("This access key is for reading only", cure="Use an access key that may write.")
    if rule in (Rule.SEES, Rule.OWNS):
        request.state.admitted = await run_in_threadpool(_of_installation, request, caller, rule)
    elif rule is None or not caller.has(*_ROLES.get(rule, tuple(caller.roles))):
        needed = "No role may do this" if rule is None else f"This is for {rule}"
        raise ForbiddenError(needed, cure="Ask your administrator for the role.")


def _of_installation(request: Request, caller: Caller, rule: Rule) -> int:
    given = request.path_params.get("installation_id")
    number = number_in(given)
    relation = ""
    if number is not None and caller.person_id is not None:
        database: Database = request.app.state.database
        with database.reading() as session:
            relation = repository.relation(session, number, caller.person_id)
    advises = relation == "adviser" and Role.ADVISER in caller.roles
    if number is not None and (relation == "owner" or (advises and rule is Rule.SEES)):
        return number
    if advises:
        raise ForbiddenError("Only the owner of this engine may do this", cure="Ask the owner.")
    raise NotFoundError(
        "Engine not found", field="installation_id", value=given, cure="Check the number, or set up the engine first."
    )


async def admitted(
    request: Request, installation_id: Annotated[Number, Path(description="Number of the installation.")]
) -> int:
    """The installation in the address, once the gate has let the caller come to that very number.

    Raises
    ------
    ForbiddenError
        If the gate decided on another number or on none.
    """
    if getattr(request.state, "admitted", None) != installation_id:
        cure = "Use the address of the engine itself."
        raise ForbiddenError("No role may do this", field="installation_id", value=installation_id, cure=cure)
    return installation_id


InstallationId = Annotated[int, Depends(admitted)]
"""The installation in the address; the gate has let the caller come to it."""


async def _asker(request: Request) -> Caller:
    caller: Caller = request.scope.get("state", {}).get("caller", NOBODY)
    return caller


Asker = Annotated[Caller, Depends(_asker)]
"""The caller."""
