"""Photos of a run on the pages: added beside the log, shown in it and in the sheet."""

import base64

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import ReadingUnit, Sequence, Unit
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import photos
from taperwise.api.log.photo_routes import PhotoId
from taperwise.api.web.client_ids import OnceTyped
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.problem_pages import PageRoute
from taperwise.shared.errors import InvalidValueError

__all__ = ["address_of", "photo_addresses", "photo_data", "router", "typed_photo"]

router = APIRouter(
    include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}/entries/{sequence}/photos"
)


def typed_photo(typed: Typed) -> tuple[bytes, int, int] | None:
    """The photo chosen in a form, made small; None for none.

    Raises
    ------
    InvalidValueError, OutOfRangeError
        If it is none that can be kept.
    """
    sent = typed.get("photo")
    return photos.small(photos.decoded(sent, "photo"), "photo") if sent else None


@router.post("", **requires(Rule.SEES))
def add(installation_id: InstallationId, sequence: Sequence, typed: Form, once: OnceTyped) -> Response:
    """Keep a photo beside a run that is recorded."""
    if once.earlier is None:
        made = typed_photo(typed)
        if made is None:
            raise InvalidValueError("No photo is chosen", field="photo", value="nothing", cure="Choose a photo first.")
        once.do(lambda session: Made(photos.add(session, installation_id, sequence, made)))
    return RedirectResponse(f"/installations/{installation_id}/history", 303)


@router.get("", **requires(Rule.SEES))
def listed(installation_id: InstallationId, sequence: Sequence, unit: ReadingUnit) -> Response:
    """They stand in the history."""
    photos.of_entry(unit, installation_id, sequence)
    return RedirectResponse(f"/installations/{installation_id}/history", 303)


@router.post("/{photo_id}/delete", **requires(Rule.OWNS))
def delete(
    installation_id: InstallationId, sequence: Sequence, photo_id: PhotoId, _typed: Form, unit: Unit
) -> Response:
    """Delete a photo."""
    photos.remove(unit, installation_id, sequence, photo_id)
    return RedirectResponse(f"/installations/{installation_id}/history", 303)


def address_of(installation_id: int, sequence: int, photo_id: int) -> str:
    """Where a photo is served."""
    return f"/api/v1/installations/{installation_id}/entries/{sequence}/photos/{photo_id}"


def photo_addresses(session: Session, installation_id: int) -> dict[int, list[tuple[int, str]]]:
    """Number and address of every photo, by the number of its entry."""
    return {
        number: [(each, address_of(installation_id, number, each)) for each in those]
        for number, those in photos.numbers(session, installation_id).items()
    }


def photo_data(session: Session, installation_id: int) -> dict[int, list[tuple[int, str]]]:
    """The same with the photos themselves, as small as they are printed, in place of their addresses."""
    return {
        number: [(row.id, _inline(photos.thumbnail(row.image))) for row in rows]
        for number, rows in photos.of_installation(session, installation_id).items()
    }


def _inline(image: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(image).decode()}"
