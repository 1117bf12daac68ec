"""Routes of notes."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Body
from fastapi.openapi.models import Example

from api.access.roles import Rule, may
from api.http.problems import responses
from api.installations import storage as installations
from api.notes import storage
from api.once import ClientId
from api.places import InstallationId, ReadingUnit, Unit
from api.wire.notes import NoteIn, NoteOut

__all__ = ["router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}/notes", tags=["notes"])

_EXAMPLES: dict[str, Example] = {
    "note": {"summary": "A note", "value": {"text": "Look at the intake gasket first.", "author": "the adviser"}},
}


@router.post(
    "",
    **may(Rule.SEES),
    status_code=201,
    responses=responses(400, 404, 409, 413, 415, 422, 503, 507),
    summary="Leave a note",
)
def leave(
    installation_id: InstallationId,
    sent: Annotated[NoteIn, Body(openapi_examples=_EXAMPLES)],
    unit: Unit,
    client_id: ClientId,
) -> NoteOut:
    """A note for whoever works at the installation; it changes nothing of the record."""
    return storage.add(unit, installation_id, sent, datetime.now(UTC), client_id)


@router.get("", **may(Rule.SEES), responses=responses(404, 422, 503), summary="Notes")
def notes(installation_id: InstallationId, unit: ReadingUnit) -> list[NoteOut]:
    """Notes left at the installation, the newest first."""
    installations.get(unit, installation_id)
    return storage.of(unit, installation_id)
