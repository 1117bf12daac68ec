"""Routes of photos."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Response
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Number, ReadingUnit, Sequence, Unit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import photos
from taperwise.api.schemas.photo import PhotoIn, PhotoOut, RunPhotos

__all__ = ["WHITE_PIXEL", "PhotoId", "router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}/entries/{sequence}/photos", tags=["log"])

PhotoId = Annotated[Number, Path(description="Number of the photo.")]

WHITE_PIXEL = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGP4//8/AAX+Av4N70a4AAAAAElFTkSuQmCC"
"""The smallest photo, in base64."""

_EXAMPLES: dict[str, Example] = {"dot": {"summary": "A photo of one white pixel", "value": {"image": WHITE_PIXEL}}}


@router.post(
    "", **requires(Rule.SEES), status_code=201, response_model=PhotoOut,
    responses=responses(400, 404, 409, 413, 415, 422, 503, 507), summary="Add a photo",
)  # fmt: skip
def add_photo(
    installation_id: InstallationId,
    sequence: Sequence,
    sent: Annotated[PhotoIn, Body(openapi_examples=_EXAMPLES)],
    once: OncePosted,
) -> Response:
    """Keeps a photo of a run, at most 1280 px long. Everything but the picture is removed: place, camera, time."""
    earlier = once.earlier
    if earlier is not None:
        return earlier.response()
    made = photos.small(photos.decoded(sent.image, "image"), "image")
    return once.do(lambda unit: Made(photos.add(unit, installation_id, sequence, made))).response()


@router.get("", **requires(Rule.SEES), responses=responses(404, 422, 503), summary="Photos of a run")
def list_photos(installation_id: InstallationId, sequence: Sequence, unit: ReadingUnit) -> RunPhotos:
    """Returns what there is to know of the photos, in the order in which they were added."""
    return RunPhotos(photos=photos.of_entry(unit, installation_id, sequence))


@router.get(
    "/{photo_id}", **requires(Rule.SEES), response_class=Response,
    responses={**responses(404, 422, 503), 200: {"content": {"image/jpeg": {}}}}, summary="A photo",
)  # fmt: skip
def photo(installation_id: InstallationId, sequence: Sequence, photo_id: PhotoId, unit: ReadingUnit) -> Response:
    """The photo as JPEG."""
    row = photos.get(unit, installation_id, sequence, photo_id)
    return Response(row.image, media_type="image/jpeg", headers={"Cache-Control": "private, no-cache"})


@router.delete(
    "/{photo_id}", **requires(Rule.OWNS), status_code=204, responses=responses(404, 422, 503),
    summary="Delete a photo",
)  # fmt: skip
def delete_photo(installation_id: InstallationId, sequence: Sequence, photo_id: PhotoId, unit: Unit) -> Response:
    """Deletes a photo."""
    photos.remove(unit, installation_id, sequence, photo_id)
    return Response(status_code=204)
