"""Routes of advice: the suggestion, the confidence, what if."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db
from taperwise.api.core.problems import NOT_READY, responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import service
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.schemas.density_sensitivity import HoldingOut
from taperwise.api.schemas.recommendation import ConfidenceOut, PredictionOut, SuggestionOut
from taperwise.model.physics.air import density_ratio_at
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.limits import ScrewStep
from taperwise.shared.units import to_si

__all__ = ["possible", "predicted", "router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}", tags=["advice"])


@router.get(
    "/suggestion", **requires(Rule.SEES), responses={**responses(404, 422, 503), **NOT_READY}, summary="The next step"
)
def suggestion(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> SuggestionOut:
    """The smallest useful adjustment to make next, on the ground, with the engine stopped."""
    return desk.answer(database, installation_id)


@router.get(
    "/confidence",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="How sure the present setting is",
)
def confidence(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> ConfidenceOut:
    """Chances of being in band, and how far from right it is."""
    return desk.answer(database, installation_id).confidence


@router.get(
    "/whatif",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="What another setting should show",
)
def whatif(
    installation_id: InstallationId,
    database: Db,
    desk: AdviceDesk,
    turns: Annotated[
        float, Query(description="Signed screw turns from here, or from the mark of another needle; + = richer.")
    ] = 0.0,
    needle: Annotated[str | None, Query(max_length=40, description="Needle fitted instead.")] = None,
    density_altitude: Annotated[
        float | None,
        Query(description="Density altitude to predict for; the latest runs' mean air if left out."),
    ] = None,
    unit: Annotated[Literal["ft", "m"], Query(description="Unit of density_altitude.")] = "ft",
) -> PredictionOut:
    """A prediction within the limits; nothing is stored."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    return predicted(desk, log, turns, needle, density_altitude, unit)


@router.get(
    "/holding",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="Will it hold in other air",
)
def holding(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> HoldingOut:
    """The present setting on a hot day at a high field, on a cold day at a low one, and over density altitude."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    return HoldingOut.of(desk.will_it_hold(log), log.sent.units)


def predicted(
    desk: RecommendationService,
    log: service.Log,
    turns: float,
    needle: str | None,
    density_altitude: float | None,
    unit: str,
) -> PredictionOut:
    """What another setting, or other air, should show.

    Raises
    ------
    InvalidValueError, StepLimitError, NotConvergedError
        If that may not be asked, or there is no posterior that can be trusted.
    """
    possible(log, turns, needle)
    density = (
        None
        if density_altitude is None
        else density_ratio_at(to_si("density_altitude", density_altitude, unit, field="density_altitude"))
    )
    return PredictionOut.of(desk.what_if(log, turns, needle, density), log.sent.units)


def possible(log: service.Log, turns: float, needle: str | None) -> None:
    """See that a setting may be asked about, before anything is learned for the answer.

    Raises
    ------
    InvalidValueError, StepLimitError
        If the turns are no step within the limits, or the needle is not one of the installation's.
    """
    if not abs(turns) <= 1e6:
        raise InvalidValueError(
            "turns should be between -0.25 and 0.25", field="turns", value=turns, cure="Give 0.125."
        )
    if turns:
        ScrewStep(turns, log.installation.limits)
    if needle is not None:
        log.installation.needle(needle)
