"""The pictures, each with its sentence and its figures beside it."""

from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.charts.data import ChartData
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db, Sequence
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import repository, service
from taperwise.api.presentation.digits import sign_now
from taperwise.api.recommendations.service import AdviceDesk
from taperwise.api.web.background_calls import AtWork, BackgroundCalls
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import fragment, page
from taperwise.shared.errors import NotReadyError

if TYPE_CHECKING:
    from taperwise.api.charts.style import Picture

__all__ = ["InGallery", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")


async def _gallery(request: Request) -> ChartData:
    gallery: ChartData = request.app.state.gallery
    return gallery


InGallery = Annotated[ChartData, Depends(_gallery)]


@router.get("/pictures", **requires(Rule.SEES))
def pictures(
    installation_id: InstallationId, database: Db, desk: AdviceDesk, gallery: InGallery, work: AtWork
) -> Response:
    """All pictures, or what is going on until they can be shown."""
    return page(
        "pictures.html", here="/pictures", heading="Pictures", ready=desk.ready, failed=desk.failed,
        **_context(installation_id, database, gallery, work),
    )  # fmt: skip


@router.get("/pictures/all", **requires(Rule.SEES))
def wall(installation_id: InstallationId, database: Db, desk: AdviceDesk, gallery: InGallery, work: AtWork) -> Response:
    """The pictures alone, for a page that waits for them."""
    context = _context(installation_id, database, gallery, work)
    return HTMLResponse(fragment("wall.html", ready=desk.ready, failed=desk.failed, **context))


def _context(installation_id: int, database: Database, gallery: ChartData, work: BackgroundCalls) -> dict[str, Any]:
    with database.reading() as session:
        log = service.load(session, installation_id)
        traced = repository.traced(session, installation_id)
    try:
        made = work.done(("pictures", installation_id, log.state, sign_now()), lambda: _drawn(gallery, log))
    except NotReadyError:
        made = None
    converged, pictures = made or (True, None)
    return {
        "number": installation_id,
        "name": name_of(log),
        "converged": converged,
        "pictures": pictures,
        "traced": traced,
    }


def _drawn(gallery: ChartData, log: service.Log) -> "tuple[bool, list[Picture]]":
    """Whether the posterior can be trusted, and what there is to see in it."""
    from taperwise.api.charts.registry import drawn  # imported late: loads altair and vl-convert, about a second

    portraits = gallery.portraits(log)
    return portraits.converged, drawn(portraits, log)


@router.get("/sweeps/{sequence}", **requires(Rule.SEES))
def sweep(installation_id: InstallationId, sequence: Sequence, database: Db) -> Response:
    """The sweep of one run with its reading."""
    from taperwise.api.charts.registry import sweep_of  # as above

    with database.reading() as session:
        log = service.load(session, installation_id)
        found = sweep_of(session, installation_id, sequence, log.sent.units)
        shown = next(e.findings for e in service.entries_of(session, installation_id) if e.sequence == sequence)
    return page(
        "sweep.html", here="/pictures", heading=f"The sweep of run {sequence}", number=installation_id,
        name=name_of(log), picture=found, findings=shown,
    )  # fmt: skip
