"""What if: another setting within the limits, or other air."""

import math
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Response
from fastapi.responses import HTMLResponse

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import field_errors
from taperwise.api.log import service
from taperwise.api.presentation import prediction_text
from taperwise.api.presentation.turns_text import turns_in
from taperwise.api.recommendations.routes import possible, predicted
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.web.background_calls import AtWork
from taperwise.api.web.form_data import NUMBER, Typed
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import fragment, page
from taperwise.shared.errors import InvalidValueError, NotReadyError, TaperwiseError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")


@router.get("/whatif", **requires(Rule.SEES))
def whatif(
    installation_id: InstallationId,
    database: Db,
    desk: AdviceDesk,
    work: AtWork,
    turns: Annotated[str, Query(max_length=20)] = "",
    needle: Annotated[str, Query(max_length=40)] = "",
    density_altitude: Annotated[str, Query(max_length=20)] = "",
    hx_request: Annotated[str | None, Header()] = None,
) -> Response:
    """The question as a form, and its answer; a script that asks gets the answer alone."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    typed = Typed({"turns": turns, "needle": needle, "density_altitude": density_altitude})
    context = {
        "number": installation_id,
        "typed": typed,
        "steps": _steps(log),
        "needles": [n.label for n in log.sent.needles],
        "fitted": log.position().fitted_needle,
        "units": log.sent.units,
        **_answer(log, desk, work, typed),
    }
    if hx_request:
        return HTMLResponse(fragment("whatif_answer.html", **context))
    return page("whatif.html", name=name_of(log), here="/whatif", heading="What if", **context)


def _steps(log: service.Log) -> list[float]:
    sizes = log.installation.limits.steps()
    return [*(-s for s in reversed(sizes)), 0.0, *sizes]


def _answer(log: service.Log, desk: RecommendationService, work: Any, typed: Typed) -> dict[str, Any]:
    try:
        turns = turns_in(typed.get("turns")) or _float("turns", typed) or 0.0
        altitude = _float("density_altitude", typed)
        needle = typed.get("needle") or None
        possible(log, turns, needle)

        def make() -> Any:
            return predicted(desk, log, turns, needle, altitude, log.sent.units.elevation)

        found = work.done(("what if", log.installation_id, log.state, turns, needle, altitude), make, math.inf)
    except NotReadyError:
        found = None
    except TaperwiseError as error:
        return {"prediction": None, "waiting": False, "errors": field_errors(error), "expectations": []}
    lines = (
        []
        if found is None
        else [prediction_text.rise_line(found), prediction_text.idle_line(found), prediction_text.speed_line(found)]
    )
    return {"prediction": found, "waiting": found is None, "errors": [], "expectations": lines}


def _float(name: str, typed: Typed) -> float | None:
    text = typed.get(name)
    if text and NUMBER.fullmatch(text) is None:
        raise InvalidValueError("This is not a number", field=name, value=text, cure="Give a plain number.")
    return float(text.replace(",", ".")) if text else None
