"""All that was recorded, in order, and putting right what was mistyped."""

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.accounts.repository import relation
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db, Sequence
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import service
from taperwise.api.log.corrections import record_correction
from taperwise.api.log.photos import MOST
from taperwise.api.presentation.entry_text import adjustment_words, kind_words, run_words
from taperwise.api.presentation.set_up_text import set_up_words
from taperwise.api.schemas.log import CorrectionIn, EntryOut
from taperwise.api.web import adjustment_forms, adjustments, run_forms, runs
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.next_step import name_of
from taperwise.api.web.photos import photo_addresses
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import NotFoundError, TaperwiseError

__all__ = ["entries_of", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_CORRECTION = TypeAdapter(CorrectionIn)


def entries_of(database: Database, installation_id: int) -> list[EntryOut]:
    """The log's entries with their corrections.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    with database.reading() as session:
        return service.entries_of(session, installation_id)


@router.get("/history", **requires(Rule.SEES))
def history(installation_id: InstallationId, database: Db, asker: Asker) -> Response:
    """The log, the latest entry first."""
    with database.reading() as session:
        theirs = asker.person_id is None or relation(session, installation_id, asker.person_id) == "owner"
        log = service.load(session, installation_id)
        taken = photo_addresses(session, installation_id)
    entries = entries_of(database, installation_id)
    return page(
        "history.html", number=installation_id, name=name_of(log), here="/history", heading="History",
        entries=[_told(e, log) for e in reversed(entries)], photos=taken, most_photos=MOST, client_id=new_id(),
        may_delete=theirs,
    )  # fmt: skip


def _told(entry: EntryOut, log: service.Log) -> dict[str, Any]:
    latest = entry.corrections[-1] if entry.corrections else None
    now: Any = entry if latest is None else latest
    return {
        "entry": entry,
        "kind": kind_words(entry.kind, entry.acknowledged),
        "first": _words(entry, log),
        "now": "voided" if entry.voided else _words(now, log) if latest else None,
        "note": next((each.note for each in (entry.run, entry.adjustment, entry.set_up) if each is not None), ""),
    }


def _words(holder: Any, log: service.Log) -> str:
    if holder.run is not None:
        return run_words(holder.run, log.sent.units)
    if holder.adjustment is not None:
        return adjustment_words(holder.adjustment)
    if holder.set_up is not None:
        return set_up_words(holder.set_up, log.sent.units)
    return f"{kind_words('acknowledged', holder.acknowledged)}: {holder.acknowledged.cause}"


@router.get("/entries/{sequence}/correct", **requires(Rule.SEES))
def blank(installation_id: InstallationId, sequence: Sequence, database: Db) -> Response:
    """The entry as it stands, to be put right."""
    entry = _entry(database, installation_id, sequence)
    return _form(database, installation_id, entry, Typed(_as_typed(entry)), [])


@router.post("/entries/{sequence}/correct", **requires(Rule.SEES))
def correct(
    installation_id: InstallationId, sequence: Sequence, typed: Form, database: Db, once: OnceTyped
) -> Response:
    """Keep the correction beside the entry."""
    entry = _entry(database, installation_id, sequence)
    try:
        sent = validate_document(_CORRECTION, _document(entry, typed))
        once.do(lambda session: Made(record_correction(session, installation_id, sequence, sent)))
    except (RefusedError, TaperwiseError) as error:
        return _form(database, installation_id, entry, typed, _unnested(field_errors(error)), 422)
    return RedirectResponse(f"/installations/{installation_id}/history", 303)


def _entry(database: Database, installation_id: int, sequence: int) -> EntryOut:
    for entry in entries_of(database, installation_id):
        if entry.sequence == sequence:
            return entry
    raise NotFoundError("Entry not found", field="sequence", value=sequence, cure="Check the number in the log.")


def _as_typed(entry: EntryOut) -> dict[str, str]:
    latest: Any = entry.corrections[-1] if entry.corrections and not entry.voided else entry
    if entry.run is not None:
        document = latest.run.model_dump(mode="json", exclude_none=True)
        names = (*run_forms.FIELDS, "pressure", "altimeter_setting", "egt_rise")
        return run_forms.fields_of({k: v for k, v in document.items() if k != "time"}, names)
    if entry.adjustment is not None:
        return adjustment_forms.fields_of(latest.adjustment)
    return {}


def _document(entry: EntryOut, typed: Typed) -> dict[str, Any]:
    document: dict[str, Any] = typed.document("reason")
    if typed.get("void") or entry.kind == "acknowledged":
        return {**document, "void": True}
    if entry.kind == "run":
        return {**document, "run": _with_what_no_form_shows(entry, run_forms.document_of(typed))}
    return {**document, "adjustment": adjustment_forms.document_of(typed)}


def _with_what_no_form_shows(entry: EntryOut, document: dict[str, Any]) -> dict[str, Any]:
    """A rise that was read from a trace keeps its error, spread and cylinders as long as it is not changed itself."""
    latest: Any = entry.corrections[-1] if entry.corrections and not entry.voided else entry
    old = latest.run.model_dump(mode="json", exclude_none=True).get("egt_rise")
    new = document.get("egt_rise")
    if old and new and all(old.get(name) == value for name, value in new.items()):
        document["egt_rise"] = old
    return document


def _unnested(errors: list[Any]) -> list[Any]:
    """Errors under the names the form's fields have."""
    return [
        e.model_copy(update={"field": e.field.removeprefix("run.").removeprefix("adjustment.")}) for e in errors
    ]  # fmt: skip


def _form(
    database: Database, installation_id: int, entry: EntryOut, typed: Typed, errors: list[Any], status: int = 200
) -> Response:
    with database.reading() as session:
        log = service.load(session, installation_id)
    return page(
        "correct.html",
        status,
        number=installation_id,
        name=name_of(log),
        here="/history",
        heading=f"Correct entry {entry.sequence}",
        entry=entry,
        words=_words(entry, log),
        typed=typed,
        errors=errors,
        carried="",
        client_id=typed.get("client_id") or new_id(),
        **adjustments.choices(log),
        has_elevation=log.sent.elevation is not None,
        **runs.choices(log.sent.units),
    )
