"""What if: another setting within the limits, or other air."""

from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Response
from fastapi.responses import HTMLResponse

from api.access.roles import Rule, may
from api.advice.desk import Desk
from api.advice.routes import predicted
from api.http.checked import told
from api.log import service
from api.pages.next_step import name_of
from api.pages.problem_pages import PageRoute
from api.pages.rendering import fragment, page
from api.pages.typed import Typed
from api.pages.working import AtWork
from api.places import AdviceDesk, Db, InstallationId
from api.told import expected
from shared.errors import EighthTurnError, InvalidValueError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")


@router.get("/whatif", **may(Rule.SEES))
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


def _answer(log: service.Log, desk: Desk, work: Any, typed: Typed) -> dict[str, Any]:
    try:
        turns = _float("turns", typed) or 0.0
        altitude = _float("density_altitude", typed)
        needle = typed.get("needle") or None

        def make() -> Any:
            return predicted(desk, log, turns, needle, altitude, log.sent.units.elevation)

        found = work.done(("what if", log.installation_id, log.state, turns, needle, altitude), make, 8.0)
    except EighthTurnError as error:
        return {"prediction": None, "waiting": False, "errors": told(error), "expectations": []}
    lines = [] if found is None else [expected.rise_line(found), expected.idle_line(found), expected.speed_line(found)]
    return {"prediction": found, "waiting": found is None, "errors": [], "expectations": lines}


def _float(name: str, typed: Typed) -> float | None:
    text = typed.get(name).replace(",", ".")
    try:
        return float(text) if text else None
    except ValueError:
        raise InvalidValueError("this is not a number", field=name, value=text, cure="Give a plain number.") from None
