"""Routes of the pool: contribute, withdraw, what is published."""

from typing import Annotated

from fastapi import APIRouter, Body
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db, ReadingUnit, Unit
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import service as log
from taperwise.api.pooling import service
from taperwise.api.pooling.dependencies import Floor
from taperwise.api.recommendations.service import AdviceDesk
from taperwise.api.schemas.pool import ConsentIn, ContributionOut, PoolOut

__all__ = ["router"]

router = APIRouter(prefix="/api/v1", tags=["pool"])

_EXAMPLES: dict[str, Example] = {"yes": {"summary": "The owner agrees", "value": {"consent": True}}}


@router.post(
    "/installations/{installation_id}/contribution",
    **requires(Rule.OWNS),
    status_code=201,
    responses=responses(400, 404, 409, 413, 415, 422, 503, 507),
    summary="Leave what this engine taught",
)
def contribute(
    installation_id: InstallationId,
    sent: Annotated[ConsentIn, Body(openapi_examples=_EXAMPLES)],
    database: Db,
    desk: AdviceDesk,
) -> ContributionOut:
    """With the owner's consent: a likelihood summary and coarse traits, all of it shown in the answer."""
    with database.reading() as session:
        learned_from = log.load(session, installation_id)
    summary = desk.summarise(learned_from)
    with database.unit() as session:
        return service.contribute(session, installation_id, summary, sent.owner)


@router.get(
    "/installations/{installation_id}/contribution",
    **requires(Rule.SEES),
    responses=responses(404, 422, 503),
    summary="What this engine left",
)
def contribution(installation_id: InstallationId, unit: ReadingUnit) -> ContributionOut:
    """What left, and which versions it stands behind."""
    return service.shown(unit, installation_id)


@router.delete(
    "/installations/{installation_id}/contribution",
    **requires(Rule.OWNS),
    responses=responses(404, 422, 503, 507),
    summary="Take it back",
)
def withdraw(installation_id: InstallationId, unit: Unit) -> ContributionOut:
    """It is deleted and stands behind no version published from now on; versions already published stay as they are."""
    return service.withdraw(unit, installation_id)


@router.get(
    "/pool",
    **requires(Rule.SIGNED_IN),
    responses=responses(422, 503),
    summary="What is published, and what happened to the pool",
)
def pool(unit: ReadingUnit, floor: Floor) -> PoolOut:
    """The latest version, the numbers of all, and the audit."""
    return service.state_of(unit, floor)
