"""Notes on an engine: written, changed and deleted by their authors."""

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import service
from taperwise.api.notes import repository
from taperwise.api.notes.routes import NoteId
from taperwise.api.schemas.log import NoteIn
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import InvalidValueError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}/notes")

_NOTE = TypeAdapter(NoteIn)


@router.post("", **requires(Rule.SEES))
def write(installation_id: InstallationId, typed: Form, database: Db, asker: Asker, once: OnceTyped) -> Response:
    """Write a note, which the card of the next step shows; or show what is wrong beside the text."""
    try:
        sent = validate_document(_NOTE, typed.document("text"))
        once.do(lambda session: Made(repository.add(session, installation_id, sent, asker)))
    except (RefusedError, InvalidValueError) as error:
        return _form(database, installation_id, typed, error, None)
    return _back(installation_id)


@router.get("/{note_id}", **requires(Rule.SEES))
def show(installation_id: InstallationId, note_id: NoteId, database: Db, asker: Asker) -> Response:
    """The form that changes or deletes a note."""
    with database.reading() as session:
        note = repository.note_of(session, installation_id, note_id, asker)
    return _form(database, installation_id, Typed({"text": note.text}), None, note_id if note.mine else None)


@router.post("/{note_id}", **requires(Rule.SEES))
def change(installation_id: InstallationId, note_id: NoteId, typed: Form, database: Db, asker: Asker) -> Response:
    """Change a note of one's own."""
    try:
        sent = validate_document(_NOTE, typed.document("text"))
    except RefusedError as error:
        return _form(database, installation_id, typed, error, note_id)
    with database.unit() as session:
        repository.edit(session, installation_id, note_id, sent, asker)
    return _back(installation_id)


@router.post("/{note_id}/delete", **requires(Rule.SEES))
def delete(installation_id: InstallationId, note_id: NoteId, database: Db, asker: Asker) -> Response:
    """Delete a note of one's own."""
    with database.unit() as session:
        repository.remove(session, installation_id, note_id, asker)
    return _back(installation_id)


def _back(installation_id: int) -> Response:
    return RedirectResponse(f"/installations/{installation_id}#notes", 303)


def _form(
    database: Database, installation_id: int, typed: Typed, error: RefusedError | InvalidValueError | None,
    note_id: int | None,
) -> Response:  # fmt: skip
    with database.reading() as session:
        log = service.load(session, installation_id)
    return page(
        "note.html", 200 if error is None else 422, number=installation_id, name=name_of(log), here="/notes",
        heading="Note", typed=typed, errors=[] if error is None else field_errors(error), note_id=note_id,
        client_id=typed.get("client_id") or new_id(),
    )  # fmt: skip
