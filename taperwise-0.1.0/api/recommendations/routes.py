"""Routes of advice: the suggestion, the confidence, what if."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.conditional import tag_of
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
    "/suggestion",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="Show the next step",
)
def suggestion(installation_id: InstallationId, database: Db, desk: AdviceDesk, response: Response) -> SuggestionOut:
    """Returns the smallest useful adjustment to make next. Make it on the ground, with the engine stopped."""
    found = desk.answer(database, installation_id)
    response.headers["ETag"] = tag_of(found)
    return found


@router.get(
    "/confidence",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="Show the chances",
)
def confidence(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> ConfidenceOut:
    """Returns the chances of being in target, and the turns to target."""
    return desk.answer(database, installation_id).confidence


@router.get(
    "/whatif",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="Predict another setting",
)
def whatif(
    installation_id: InstallationId,
    database: Db,
    desk: AdviceDesk,
    turns: Annotated[
        float,
        Query(description="Turns from the present setting, or from another needle's mark [turns]; positive = richer."),
    ] = 0.0,
    needle: Annotated[
        str | None, Query(max_length=40, description="Label of the needle. Null: the installed one.")
    ] = None,
    density_altitude: Annotated[
        float | None,
        Query(description="Density altitude, in `unit`. Null: mean air of the latest runs."),
    ] = None,
    unit: Annotated[Literal["ft", "m"], Query(description="Unit of density_altitude.")] = "ft",
) -> PredictionOut:
    """Predicts a run at another setting within the step limits. Nothing is saved."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    return predicted(desk, log, turns, needle, density_altitude, unit)


@router.get(
    "/holding",
    **requires(Rule.SEES),
    responses={**responses(404, 422, 503), **NOT_READY},
    summary="Predict other air",
)
def holding(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> HoldingOut:
    """Predicts the present setting on a hot day high up, on a cold day low down, and between."""
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
            "Turns should be between -0.25 and 0.25", field="turns", value=turns, cure="Give 0.125."
        )
    if turns:
        ScrewStep(turns, log.installation.limits)
    if needle is not None:
        log.installation.needle(needle)
