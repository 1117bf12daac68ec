"""Recording a run: typed in, or read from a logger's trace."""

from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made, Once
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import photos, repository, service
from taperwise.api.presentation.card_text import ago
from taperwise.api.presentation.observations import asked
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.newer_entries import NewerEntryError, refuse_newer, status_of
from taperwise.api.web.next_step import name_of
from taperwise.api.web.photos import typed_photo
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.api.web.run_forms import document_of, fields_of, missing
from taperwise.shared.errors import TaperwiseError

__all__ = ["RUN", "choices", "router", "run_of"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

RUN = TypeAdapter(RunIn)
"""Reads a run."""

_SAME_AIR = timedelta(hours=3)


@router.get("/run", **requires(Rule.SEES))
def blank(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> Response:
    """The form, the air of a run made a while ago in its place."""
    with database.reading() as session:
        log = service.load(session, installation_id)
        last = repository.latest_run(session, installation_id)
    air, carried = {}, ""
    age = None if last is None or last.happened_at is None else datetime.now(UTC) - last.happened_at
    if last is not None and age is not None and age < _SAME_AIR:
        air = fields_of(last.document, ("air_temperature", "pressure", "altimeter_setting", "elevation"))
        carried = ago(age)
    return _form(log, desk, database, Typed(air), [], carried=carried)


@router.post("/run", **requires(Rule.SEES))
def record(installation_id: InstallationId, typed: Form, database: Db, desk: AdviceDesk, once: OnceTyped) -> Response:
    """Record the run as the JSON API would, or show what is wrong beside what was typed."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        if once.earlier is None:
            _record(once, database, typed, run_of(typed, log), log)
    except (RefusedError, TaperwiseError) as error:
        again = isinstance(error, NewerEntryError)
        if again:  # it was recorded between this request's reading and its writing, or before
            with database.reading() as session:
                log = service.load(session, installation_id)
        return _form(log, desk, database, typed, field_errors(error), status=status_of(error), again=again)
    return RedirectResponse(f"/installations/{installation_id}", 303)


def _record(once: Once, database: Database, typed: Typed, sent: RunIn, log: service.Log) -> None:
    sent, traced = service.with_trace_read(database, log.installation_id, sent)
    photo = typed_photo(typed)

    def deed(session: Session) -> Made:
        refuse_newer(session, log.installation_id, typed)
        recorded = service.record_run(session, log.installation_id, sent, traced)
        if photo is not None:
            photos.add(session, log.installation_id, recorded.sequence, photo)
        return Made(recorded)

    once.do(deed)


def run_of(typed: Typed, log: service.Log) -> RunIn:
    """The run typed.

    Raises
    ------
    RefusedError
        Naming every field that is missing or cannot be used.
    """
    wrong = missing(typed, has_elevation=log.sent.elevation is not None)
    try:
        run = validate_document(RUN, document_of(typed))
    except RefusedError as error:
        told = {e.field for e in wrong}
        raise RefusedError(wrong + [e for e in error.errors if e.field not in told and not _is_told(e, told)]) from None
    if wrong:
        raise RefusedError(wrong)
    return run


def _is_told(error: Any, told: set[str]) -> bool:
    """Whether the form said in its own words what the API says: a rise that two temperatures do not give."""
    return error.field.startswith("egt_rise") and bool(told & {"egt_rich", "egt_peak"})


def _form(
    log: service.Log, desk: RecommendationService, database: Database, typed: Typed, errors: list[Any], *,
    carried: str = "", status: int = 200, again: bool = False,
) -> Response:  # fmt: skip
    kept = desk.kept(database, log.installation_id)
    return page(
        "run.html",
        status,
        number=log.installation_id,
        name=name_of(log),
        here="/run",
        heading="Record a run",
        typed=typed,
        errors=errors,
        carried=carried,
        again=again,
        seen=log.last,
        stage=None if kept is None else kept.stage,
        client_id=typed.get("client_id") or new_id(),
        **choices(log.sent.units),
        has_elevation=log.sent.elevation is not None,
    )


def choices(units: Units) -> dict[str, Any]:
    """What every form of a run offers."""
    more = asked(units, "speed", "rise", "meter", "highest", "air")
    (quality, _), *speeds = asked(units, "idle")
    return {"units": units, "quality": quality, "asked_speeds": speeds, "asked_more": more}
