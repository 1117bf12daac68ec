"""Beside engines like it: where to start from the pool, how this one compares, and leaving what it taught."""

from collections.abc import Callable
from dataclasses import dataclass

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import prior_row
from taperwise.api.log import service as log
from taperwise.api.pooling import service
from taperwise.api.pooling.routes import contribute_once
from taperwise.api.pooling.starting_point_routes import start_of_log
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import sign, turns_range
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.schemas.recommendation import IntervalOut
from taperwise.api.schemas.units import Units
from taperwise.api.web.background_calls import AtWork, BackgroundCalls
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.model.design.required_setting import Needed, needed_by, needed_by_engines_like_it
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.shared.recommendation import Interval
from taperwise.shared.runs import Run
from taperwise.shared.units import from_si

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")


_LONG = {"start": "Calculating the starting estimate", "share": "Calculating the summary"}
"""What is calculated beside the page, in words."""


@dataclass(frozen=True)
class _Line:
    """A figure side by side: engines like it, and this one where it has run."""

    what: str
    like_it: str
    this_one: str


@router.get("/similar", **requires(Rule.SEES))
def show(installation_id: InstallationId, database: Db, desk: AdviceDesk, work: AtWork) -> Response:
    """Before the first entry where to start from; afterwards how it compares; and what it may leave."""
    return _page(installation_id, database, desk, work, [])


@router.post("/start-from", **requires(Rule.SEES))
def start_from(installation_id: InstallationId, typed: Form, database: Db, work: AtWork) -> Response:
    """Choose what to start from: the pool or the standard estimate. It is calculated beside the page."""
    wanted = "pool" if typed.get("prior") == "pool" else "expert"

    def deed(go_on: Callable[[], None]) -> None:
        with database.reading() as session:
            document = service.prior_for(session, installation_id, wanted)
        go_on()
        with database.unit() as session:
            service.keep_prior(session, installation_id, wanted, document)

    work.begin(("start", installation_id), deed)
    return RedirectResponse(f"/installations/{installation_id}/similar", 303)


@router.post("/leave", **requires(Rule.OWNS))
def leave(
    installation_id: InstallationId, typed: Form, database: Db, desk: AdviceDesk, work: AtWork, once: OnceTyped
) -> Response:
    """Share the summary of this engine, with consent. It is calculated beside the page."""
    if not typed.get("consent"):
        one = FieldError(
            field="consent", value="", message="Nothing was shared", cure="Tick the box to share, or go back."
        )
        return _page(installation_id, database, desk, work, [one], 422)
    if once.earlier is None:
        work.begin(
            ("share", installation_id),
            lambda go_on: contribute_once(once, database, desk, installation_id, go_on),
        )
    return RedirectResponse(f"/installations/{installation_id}/similar#pool", 303)


@router.post("/similar/cancel", **requires(Rule.SEES))
def cancel(installation_id: InstallationId, typed: Form, work: AtWork) -> Response:
    """Cancel what is being calculated; nothing is stored."""
    for what in _LONG:
        work.cancel((what, installation_id))
    return RedirectResponse(f"/installations/{installation_id}/similar", 303)


@router.post("/take-back", **requires(Rule.OWNS))
def take_back(installation_id: InstallationId, typed: Form, database: Db) -> Response:
    """Take back what it left."""
    with database.unit() as session:
        service.withdraw(session, installation_id)
    return RedirectResponse(f"/installations/{installation_id}/similar#pool", 303)


def _page(
    installation_id: int,
    database: Database,
    desk: RecommendationService,
    work: BackgroundCalls,
    errors: list[FieldError],
    status: int = 200,
) -> Response:
    with database.reading() as session:
        recorded = log.load(session, installation_id)
        row = prior_row(session, installation_id)
        refusal = service.sharing_refusal(installations.get(session, installation_id))
        left = service.latest_contribution(session, installation_id)
    going = [words for what, words in _LONG.items() if work.going((what, installation_id))]
    found = work.done(("similar", installation_id, recorded.state), lambda: _similar(database, recorded))
    if found is None:
        going.append("Comparing with similar engines")
    pooled, where = found or (None, "they are being compared")
    begun = bool(recorded.entries)
    ran = any(isinstance(entry, Run) for entry in recorded.entries)
    this_one: Needed | None = None
    if ran and desk.ready:
        this_one = work.done(("needed", installation_id, recorded.state), lambda: needed_by(desk.posterior(recorded)))
    return page(
        "similar.html",
        status,
        number=installation_id,
        name=name_of(recorded),
        here="/similar",
        heading="Similar engines",
        errors=errors,
        begun=begun,
        ran=ran,
        prior=service.prior_out(None if row is None else row.document),
        start=None if begun else start_of_log(recorded, row),
        pooled=pooled is not None,
        where=where,
        lines=_compared(recorded, pooled, this_one),
        working=ran and this_one is None,
        left=left,
        refusal=refusal,
        going=going,
        client_id=new_id(),
    )


def _similar(database: Database, recorded: log.Log) -> tuple[EnginePrior | None, str]:
    """What the pool says of engines like it; a minute may pass until it is calculated."""
    with database.reading() as session:
        return service.prior_of_similar_engines(session, recorded.installation_id, recorded.installation)


def _compared(recorded: log.Log, pooled: EnginePrior | None, this_one: Needed | None) -> list[_Line]:
    """Taper and screw position of this engine, of engines like it, of any engine."""
    installation, units = recorded.installation, recorded.sent.units
    needle = recorded.position().fitted_needle if this_one is None else this_one.needle
    like_it = needed_by_engines_like_it(installation, pooled or EXPERT, needle)

    def line(what: str, read: Callable[[Needed], str]) -> _Line:
        return _Line(what, read(like_it), "" if this_one is None else read(this_one))

    slope = line("Taper slope with both mixtures in target", lambda n: _slope(n.taper_slope, units))
    return [
        *(() if installation.by_order else (slope,)),
        line(f"Holder position of needle {needle}, full throttle in target", lambda n: _turns(n.turns)),
    ]


def _slope(i: Interval, units: Units) -> str:
    low, middle, high = (from_si("taper", x, units.taper) for x in (i.low_90, i.median, i.high_90))
    return f"{number(middle, '.3g')} {sign(units.taper)} ({number(low, '.3g')} to {number(high, '.3g')}, 9 times in 10)"


def _turns(i: Interval) -> str:
    ends = {"interval_50": (i.low_50, i.high_50), "interval_90": (i.low_90, i.high_90)}
    return turns_range(IntervalOut(unit="turn", median=i.median, **ends))
