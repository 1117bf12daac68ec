"""Routes of the pool: contribute, withdraw, what is published."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Body
from fastapi.openapi.models import Example
from sqlalchemy.orm import Session

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db, ReadingUnit, Unit
from taperwise.api.core.idempotency import Made, Once, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import service as log
from taperwise.api.pooling import service
from taperwise.api.pooling.dependencies import Floor
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.schemas.pool import ConsentIn, ContributionOut, PoolOut

__all__ = ["contribute_once", "router"]

router = APIRouter(prefix="/api/v1", tags=["pool"])

_EXAMPLES: dict[str, Example] = {"yes": {"summary": "Consent", "value": {"consent": True}}}


@router.post(
    "/installations/{installation_id}/contribution",
    **requires(Rule.OWNS),
    status_code=201,
    responses=responses(400, 404, 409, 413, 415, 422, 503, 507),
    summary="Share a summary",
)
def contribute(
    installation_id: InstallationId,
    sent: Annotated[ConsentIn, Body(openapi_examples=_EXAMPLES)],
    database: Db,
    desk: AdviceDesk,
    once: OncePosted,
) -> ContributionOut:
    """Shares a likelihood summary and coarse traits with the owner's consent. The response shows all of it."""
    if once.earlier is None:
        contribute_once(once, database, desk, installation_id)
    with database.reading() as session:
        return service.shown(session, installation_id)


def contribute_once(
    once: Once, database: Database, desk: RecommendationService, installation_id: int,
    go_on: Callable[[], None] = lambda: None,
) -> None:  # fmt: skip
    """Contribute. The key keeps no copy of what leaves: taken back, it is deleted.

    Parameters
    ----------
    go_on : callable
        Asked before anything is stored; it raises where the owner cancelled.
    """
    with database.reading() as session:
        service.require_shareable(session, installation_id)
        learned_from = log.load(session, installation_id)
    summary = desk.summarise(learned_from)
    go_on()

    def deed(session: Session) -> Made:
        service.contribute(session, installation_id, learned_from.entries, summary)
        return Made(None)

    once.do(deed)


@router.get(
    "/installations/{installation_id}/contribution",
    **requires(Rule.SEES),
    responses=responses(404, 422, 503),
    summary="Show the shared summary",
)
def contribution(installation_id: InstallationId, unit: ReadingUnit) -> ContributionOut:
    """Returns the shared summary and the versions that include it."""
    return service.shown(unit, installation_id)


@router.delete(
    "/installations/{installation_id}/contribution",
    **requires(Rule.OWNS),
    responses=responses(404, 422, 503, 507),
    summary="Withdraw the summary",
)
def withdraw(installation_id: InstallationId, unit: Unit) -> ContributionOut:
    """Deletes the summary. New versions do not include it. Published versions stay."""
    return service.withdraw(unit, installation_id)


@router.get(
    "/pool",
    **requires(Rule.SIGNED_IN),
    responses=responses(422, 503),
    summary="Show the shared pool",
)
def pool(unit: ReadingUnit, floor: Floor) -> PoolOut:
    """Returns the latest version, the numbers of all versions and what changed."""
    return service.state_of(unit, floor)
