"""The sheet on a page and as PDF, the table, and parcels out and in."""

import json
import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import structlog
from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.charts.data import ChartData
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made
from taperwise.api.core.json_body import BodyError, parse
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, validate_document
from taperwise.api.exports import archive, table
from taperwise.api.exports.archive import Archive
from taperwise.api.exports.sheet import Sheet, as_pdf, sheet_of
from taperwise.api.log import service
from taperwise.api.presentation.digits import sign_now
from taperwise.api.recommendations.service import FAILURES, AdviceDesk, RecommendationService
from taperwise.api.web.background_calls import AtWork, BackgroundCalls
from taperwise.api.web.client_ids import OnceTyped
from taperwise.api.web.form_data import Form
from taperwise.api.web.history import entries_of
from taperwise.api.web.next_step import name_of
from taperwise.api.web.photos import photo_addresses, photo_data
from taperwise.api.web.pictures import InGallery
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import HEADERS, fragment, page

if TYPE_CHECKING:
    from taperwise.api.charts.style import Picture

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_log = structlog.get_logger("taperwise")
_PARCEL = TypeAdapter(Archive)
_AGAIN_SECONDS = "3"  # when to ask again for what is nearly there


@router.get("/installations/{installation_id}/sheet", **requires(Rule.SEES))
def sheet(
    installation_id: InstallationId, database: Db, desk: AdviceDesk, work: AtWork, gallery: InGallery
) -> Response:
    """The sheet to be looked at and printed; with its pictures where they are made soon."""
    log, made = _sheet(installation_id, database, desk, work, None)
    return page(
        "sheet.html", sheet=made, number=installation_id, name=name_of(log), here="/sheet", heading="Tuning sheet",
        ready=desk.ready, photos=_photos(installation_id, database, photo_addresses),
        pictures=[] if made is None else _on_paper(log, gallery, work, None) or [],
    )  # fmt: skip


@router.get("/installations/{installation_id}/sheet.pdf", **requires(Rule.SEES))
def sheet_pdf(
    installation_id: InstallationId, database: Db, desk: AdviceDesk, work: AtWork, gallery: InGallery
) -> Response:
    """The sheet as PDF with its pictures; while they are being drawn, a page that asks again."""
    log, made = _sheet(installation_id, database, desk, work, math.inf)
    if made is None:
        return _in_a_moment("The next step is being calculated. This page loads again on its own.")
    pictures = _on_paper(log, gallery, work, math.inf)
    if pictures is None:
        return _in_a_moment("The pictures of the tuning sheet are being drawn. This page loads again on its own.")
    photos = _photos(installation_id, database, photo_data)
    text = fragment("sheet_print.html", sheet=made, name=name_of(log), pictures=pictures, photos=photos)
    return Response(
        as_pdf(text),
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="sheet-{installation_id}.pdf"', "Cache-Control": "no-store"},
    )


def _in_a_moment(title: str) -> Response:
    told = page("problem.html", 503, title=title, errors=[])
    told.headers["Retry-After"] = told.headers["Refresh"] = _AGAIN_SECONDS
    return told


def _photos(
    installation_id: int, database: Database, found: Callable[[Session, int], dict[int, list[tuple[int, str]]]]
) -> dict[int, list[tuple[int, str]]]:
    with database.reading() as session:
        return found(session, installation_id)


def _on_paper(
    log: service.Log, gallery: ChartData, work: BackgroundCalls, patience: float | None
) -> "list[Picture] | None":
    """The pictures: empty where they cannot be made, for the sheet does not hang on them; None while they are made."""
    key = ("pictures on paper", log.installation_id, log.state, sign_now())
    try:
        return work.done(key, lambda: _drawn(log, gallery), patience)
    except FAILURES as error:
        _log.error("pictures_failed", installation=log.installation_id, error=type(error).__name__)
        return []


def _drawn(log: service.Log, gallery: ChartData) -> "list[Picture]":
    from taperwise.api.charts.registry import on_paper  # imported late: loads altair and vl-convert

    return on_paper(gallery.portraits(log), log)


def _sheet(
    installation_id: int, database: Database, desk: RecommendationService, work: BackgroundCalls, patience: float | None
) -> tuple[service.Log, Sheet | None]:
    with database.reading() as session:
        log = service.load(session, installation_id)
    answered = work.answer(desk, database, installation_id, patience)
    if answered is None or answered.suggestion is None:
        return log, None
    return log, sheet_of(log, entries_of(database, installation_id), answered.suggestion, datetime.now(UTC))


@router.get("/installations/{installation_id}/table.csv", **requires(Rule.SEES))
def log_table(installation_id: InstallationId, database: Db) -> Response:
    """The log as a table."""
    with database.reading() as session:
        return table.response(session, installation_id)


@router.get("/installations/{installation_id}/export.json", **requires(Rule.SEES))
def export(installation_id: InstallationId, database: Db) -> Response:
    """The installation as a sealed parcel."""
    with database.reading() as session:
        packed = archive.pack(session, installation_id)
    return Response(
        json.dumps(packed.model_dump(mode="json"), indent=1),
        media_type="application/json",
        headers={**HEADERS, "Content-Disposition": f'attachment; filename="installation-{installation_id}.json"'},
    )


@router.post("/installations/import", **requires(Rule.SETS_UP))
def bring_in(typed: Form, asker: Asker, once: OnceTyped) -> Response:
    """Unpack a parcel as a new installation."""
    sent = validate_document(_PARCEL, _document(typed.raw.get("file", "")))
    made = once.do(lambda session: Made(None, installation_id=archive.unpack(session, sent, asker.person_id)))
    return RedirectResponse(f"/installations/{made.installation_id}", 303)


def _document(text: str) -> Any:
    try:
        return parse(text.encode())
    except BodyError as error:
        cut = error.error.model_copy(
            update={"field": "file", "message": "This is not a whole export file",
                    "cure": "Export the engine again, and choose the whole file."}
        )  # fmt: skip
        raise RefusedError([cut]) from None
