"""Routes of notes."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Body, Response
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import ReadingUnit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.installations import repository as installations
from taperwise.api.notes import repository
from taperwise.api.schemas.log import NoteIn, NoteOut

__all__ = ["router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}/notes", tags=["notes"])

_EXAMPLES: dict[str, Example] = {
    "note": {"summary": "A note", "value": {"text": "Look at the intake gasket first.", "author": "the adviser"}},
}


@router.post(
    "",
    **requires(Rule.SEES),
    status_code=201,
    response_model=NoteOut,
    responses=responses(400, 404, 409, 413, 415, 422, 503, 507),
    summary="Write a note",
)
def leave(
    installation_id: InstallationId,
    sent: Annotated[NoteIn, Body(openapi_examples=_EXAMPLES)],
    once: OncePosted,
) -> Response:
    """A note for people who work on the engine. A note changes no result."""
    return once.do(lambda unit: Made(repository.add(unit, installation_id, sent, datetime.now(UTC)))).response()


@router.get("", **requires(Rule.SEES), responses=responses(404, 422, 503), summary="Notes")
def notes(installation_id: InstallationId, unit: ReadingUnit) -> list[NoteOut]:
    """Returns all notes, the newest first."""
    installations.get(unit, installation_id)
    return repository.list_notes(unit, installation_id)
