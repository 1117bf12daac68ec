"""The route that changes a set-up."""

from typing import Annotated

from fastapi import APIRouter, Body, Response
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.conditional import IfMatch, tag_of
from taperwise.api.core.dependencies import Unit
from taperwise.api.core.problems import problem, responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError
from taperwise.api.installations import repository as installations
from taperwise.api.installations.routes import to_response
from taperwise.api.log import set_up
from taperwise.api.schemas.log import SetUpRecorded
from taperwise.api.schemas.set_up import SetUpEdit

__all__ = ["router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}", tags=["installations"])

_EDITS: dict[str, Example] = {
    "slope": {
        "summary": "A mistyped slope",
        "value": {
            "meaning": "correction",
            "set_up": {"needles": [{"label": "taper 30.0", "taper_slope": {"value": 29.8, "unit": "mm/m"}}]},
            "note": "measured again",
        },
    },
    "limits": {
        "summary": "An engine limit",
        "value": {"meaning": "change", "set_up": {"watch": {"cht": {"value": 420, "unit": "degF"}}}},
    },
    "needles": {
        "summary": "A needle added, another retired",
        "value": {
            "meaning": "change",
            "set_up": {
                "needles": [
                    {"label": "taper 31.2", "taper_slope": {"value": 31.2, "unit": "mm/m"}},
                    {"label": "taper 29.4", "retired": True},
                ]
            },
        },
    },
}


@router.patch(
    "",
    **requires(Rule.SEES),
    response_model=SetUpRecorded,
    responses=responses(400, 404, 409, 412, 413, 415, 422, 503, 507),
    summary="Change the set-up",
)
def edit(
    installation_id: InstallationId,
    sent: Annotated[SetUpEdit, Body(openapi_examples=_EDITS)],
    unit: Unit,
    if_match: IfMatch,
    response: Response,
) -> SetUpRecorded | Response:
    """Every field may be changed. Each change is an entry of the log; the same change sent again is none."""
    if_match.hold(to_response(installations.get(unit, installation_id, lock=True)))
    try:
        entry = set_up.edit(unit, installation_id, sent)
    except RefusedError as error:
        first = error.errors[0]
        return problem(422, "A value cannot be used", f"{first.field}: {first.message}. {first.cure}", error.errors)
    now = to_response(installations.get(unit, installation_id))
    response.headers["ETag"] = tag_of(now)
    return SetUpRecorded(installation=now, entry=entry)
