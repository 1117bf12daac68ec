"""Routes of notes."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Query, Response
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.conditional import IfMatch, tag_of
from taperwise.api.core.dependencies import Count, Number, ReadingUnit, Unit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.installations import repository as installations
from taperwise.api.notes import repository
from taperwise.api.schemas.log import NoteIn, NoteOut, NotePage

__all__ = ["NoteId", "router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}/notes", tags=["notes"])

NoteId = Annotated[Number, Path(description="Number of the note.")]

_EXAMPLES: dict[str, Example] = {
    "note": {"summary": "A note", "value": {"text": "Look at the intake gasket first."}},
}
_WRITE = responses(400, 404, 409, 413, 415, 422, 503, 507)
_CHANGE = responses(400, 403, 404, 409, 412, 413, 415, 422, 503, 507)


@router.post(
    "", **requires(Rule.SEES), status_code=201, response_model=NoteOut, responses=_WRITE, summary="Write a note"
)
def write(
    installation_id: InstallationId,
    sent: Annotated[NoteIn, Body(openapi_examples=_EXAMPLES)],
    asker: Asker,
    once: OncePosted,
) -> Response:
    """A note for people who work on the engine, signed by your account. A note changes no result."""
    return once.do(lambda unit: Made(repository.add(unit, installation_id, sent, asker))).response()


@router.get("", **requires(Rule.SEES), responses=responses(404, 422, 503), summary="Notes")
def notes(
    installation_id: InstallationId,
    unit: ReadingUnit,
    asker: Asker,
    limit: Annotated[Count, Query(ge=1, le=200, description="Notes on one page.")] = 50,
    cursor: Annotated[Number | None, Query(description="`next` of the page before. Null: the first page.")] = None,
) -> NotePage:
    """Returns the notes, the newest first."""
    installations.get(unit, installation_id)
    found = repository.list_notes(unit, installation_id, asker, limit + 1, cursor)
    return NotePage(notes=found[:limit], next=str(found[limit - 1].id) if len(found) > limit else None)


@router.get("/{note_id}", **requires(Rule.SEES), responses=responses(404, 422, 503), summary="Show a note")
def note(
    installation_id: InstallationId, note_id: NoteId, asker: Asker, unit: ReadingUnit, response: Response
) -> NoteOut:
    """One note."""
    return _tagged(response, repository.note_of(unit, installation_id, note_id, asker))


@router.put("/{note_id}", **requires(Rule.SEES), responses=_CHANGE, summary="Change a note")
def change(
    installation_id: InstallationId,
    note_id: NoteId,
    sent: Annotated[NoteIn, Body(openapi_examples=_EXAMPLES)],
    asker: Asker,
    unit: Unit,
    if_match: IfMatch,
    response: Response,
) -> NoteOut:
    """A note of your own says something else."""
    installations.get(unit, installation_id, lock=True)
    if_match.hold(repository.note_of(unit, installation_id, note_id, asker))
    return _tagged(response, repository.edit(unit, installation_id, note_id, sent, asker))


@router.delete(
    "/{note_id}", **requires(Rule.SEES), status_code=204, responses=responses(403, 404, 412, 422, 503),
    summary="Delete a note",
)  # fmt: skip
def delete(installation_id: InstallationId, note_id: NoteId, asker: Asker, unit: Unit, if_match: IfMatch) -> Response:
    """A note of your own goes."""
    installations.get(unit, installation_id, lock=True)
    if_match.hold(repository.note_of(unit, installation_id, note_id, asker))
    repository.remove(unit, installation_id, note_id, asker)
    return Response(status_code=204)


def _tagged(response: Response, shown: NoteOut) -> NoteOut:
    response.headers["ETag"] = tag_of(shown)
    return shown
