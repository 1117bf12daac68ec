"""Routes for before the first run: which prior, which needle, where its screw."""

from typing import Annotated

from fastapi import APIRouter, Body, Response
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db, ReadingUnit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.installations.prior import EnginePriorRow, prior_of, prior_row
from taperwise.api.log import service as log
from taperwise.api.pooling import service
from taperwise.api.presentation import cautions
from taperwise.api.presentation.formatting import chance, screw
from taperwise.api.schemas.pool import PriorOut, StartIn, StartOut, StartPlace
from taperwise.model.design.reachable_settings import NeedleOptimum
from taperwise.model.design.starting_point import start_of
from taperwise.shared.records import Installation

__all__ = ["router", "start_of_log"]

router = APIRouter(prefix="/api/v1", tags=["pool"])

_EXAMPLES: dict[str, Example] = {
    "pool": {"summary": "From similar engines", "value": {"prior": "pool"}},
    "expert": {"summary": "The standard starting estimate", "value": {"prior": "expert"}},
}


@router.post(
    "/installations/{installation_id}/prior",
    **requires(Rule.SEES),
    status_code=201,
    response_model=PriorOut,
    responses=responses(400, 404, 409, 413, 415, 422, 503, 507),
    summary="Choose a starting estimate",
)
def choose_prior(
    installation_id: InstallationId,
    sent: Annotated[StartIn, Body(openapi_examples=_EXAMPLES)],
    database: Db,
    once: OncePosted,
) -> Response:
    """Chooses the shared pool's estimate or the standard one. After the first entry the choice is final."""
    if once.earlier is not None:
        return once.earlier.response()
    with database.reading() as session:  # it may take a minute, for which nobody who writes has to wait
        document = service.prior_for(session, installation_id, sent.prior)
    return once.do(lambda session: Made(service.keep_prior(session, installation_id, sent.prior, document))).response()


@router.get(
    "/installations/{installation_id}/start",
    **requires(Rule.SEES),
    responses=responses(404, 422, 503),
    summary="Show where to start",
)
def start(installation_id: InstallationId, unit: ReadingUnit) -> StartOut:
    """Returns a needle and a holder position to start with, from the starting estimate."""
    return start_of_log(log.load(unit, installation_id), prior_row(unit, installation_id))


def start_of_log(recorded: log.Log, row: EnginePriorRow | None) -> StartOut:
    """Where an installation should start, from the prior that was chosen for it."""
    reaches = start_of(recorded.installation, prior_of(row))
    return StartOut(
        advice=_advice(reaches, recorded.installation),
        needles=[StartPlace(needle=r.needle, turns_from_mark=r.turns, chance_both=r.chance_both) for r in reaches],
        prior=service.prior_out(None if row is None else row.document),
        cautions=list(cautions.for_stage("full_throttle")),
    )


def _advice(reaches: tuple[NeedleOptimum, ...], installation: Installation) -> str:
    """The start in words."""
    best = reaches[0]
    if best.chance_both <= 0.0:
        middle = installation.shallow_to_steep[len(installation.needles) // 2]
        return (
            "Too little is known to name a start that is safe from running lean. Install a middle needle, such as "
            f"{middle.label}, with its mark at the slide's edge. Then make the first run."
        )
    turn = f" Turn the needle holder {screw(best.turns)}." if best.turns else ""
    return (
        f"Install needle {best.needle} with its mark at the slide's edge.{turn} There is a {chance(best.chance_both)} "
        "chance that both mixtures are in target there."
    )
