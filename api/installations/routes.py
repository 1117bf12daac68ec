"""Routes of installations."""

from typing import Annotated

from fastapi import APIRouter, Body, Query, Response
from fastapi.openapi.models import Example

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.conditional import IfMatch, tag_of
from taperwise.api.core.database import Installation
from taperwise.api.core.dependencies import Count, ReadingUnit, Unit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.installations import repository, service
from taperwise.api.installations.stored import as_stored, installation_of
from taperwise.api.schemas.installation import InstallationIn, Sought
from taperwise.api.schemas.log import InstallationOut, InstallationPage
from taperwise.api.schemas.units import Units
from taperwise.shared.errors import UnsafeError

__all__ = ["made", "router", "to_response"]

router = APIRouter(prefix="/api/v1/installations", tags=["installations"])

_NEEDLES_ALONE = {"needles": [{"label": "the only one", "taper_slope": {"value": 30.0, "unit": "mm/m"}}]}
_EXAMPLE = {
    "name": "an invented two-seater",
    "needles": [
        {"label": "taper 29.4", "taper_slope": {"value": 29.4, "unit": "mm/m"}},
        {"label": "taper 30.0", "taper_slope": {"value": 30.0, "unit": "mm/m"}},
        {"label": "taper 30.6", "taper_slope": {"value": 30.6, "unit": "mm/m"}},
    ],
    "fitted_needle": "taper 30.0",
    "elevation": {"value": 650, "unit": "ft"},
}
_EXAMPLES: dict[str, Example] = {
    "three": {"summary": "Three needles", "value": _EXAMPLE},
    "one": {"summary": "The least", "value": _NEEDLES_ALONE},
}
_UNITS: dict[str, Example] = {
    "celsius": {"summary": "Temperatures in °C", "value": {"temperature": "degC", "temperature_rise": "delta_degC"}},
}


def to_response(row: Installation) -> InstallationOut:
    """A stored installation as it is shown."""
    sent = installation_of(row)
    with as_stored("installation", row.id):
        return InstallationOut(
            id=row.id, created_at=row.created_at, installation=sent, in_preferred_units=sent.in_preferred_units()
        )


def made(row: Installation) -> Made:
    """A new installation as it is answered."""
    return Made(to_response(row), f"/api/v1/installations/{row.id}", installation_id=row.id)


@router.post(
    "",
    **requires(Rule.SETS_UP),
    status_code=201,
    response_model=InstallationOut,
    responses=responses(400, 409, 413, 415, 422, 503, 507),
    summary="Set up an engine",
)
def create(
    sent: Annotated[InstallationIn, Body(openapi_examples=_EXAMPLES)], asker: Asker, once: OncePosted
) -> Response:
    """One engine with its throttle body, needles and target ranges. Everything but the needles may be missing."""
    return once.do(lambda unit: made(service.set_up(unit, sent, asker.person_id))).response()


@router.get("", **requires(Rule.SIGNED_IN), responses=responses(422, 503), summary="List engines")
def listing(
    unit: ReadingUnit,
    asker: Asker,
    limit: Annotated[Count, Query(ge=1, le=200, description="Engines of one answer at most.")] = 50,
    offset: Annotated[Count, Query(ge=0, le=2**31, description="Engines to skip.")] = 0,
    name: Annotated[Sought, Query(description="Part of the name, or the number; empty for all.")] = "",
) -> InstallationPage:
    """Returns the engines that you can see, the newest first."""
    total, rows = repository.page(unit, limit, offset, asker.visible(), name)
    found: list[InstallationOut] = []
    damaged: list[int] = []
    for row in rows:
        try:
            found.append(to_response(row))
        except UnsafeError:
            damaged.append(row.id)
    return InstallationPage(total=total, installations=found, damaged=damaged)


@router.put(
    "/{installation_id}/units",
    **requires(Rule.SEES),
    responses=responses(400, 404, 412, 413, 415, 422, 503, 507),
    summary="Change the units",
)
def units(
    installation_id: InstallationId,
    sent: Annotated[Units, Body(openapi_examples=_UNITS)],
    unit: Unit,
    if_match: IfMatch,
    response: Response,
) -> InstallationOut:
    """Sets the units of all answers. Entries stay as they were typed. A missing field gets its default."""
    if_match.hold(to_response(repository.get(unit, installation_id, lock=True)))
    service.change_units(unit, installation_id, sent)
    return _tagged(response, to_response(repository.get(unit, installation_id)))


@router.get("/{installation_id}", **requires(Rule.SEES), responses=responses(404, 422, 503), summary="Show a set-up")
def show(installation_id: InstallationId, unit: ReadingUnit, response: Response) -> InstallationOut:
    """One installation as it was set up."""
    return _tagged(response, to_response(repository.get(unit, installation_id)))


def _tagged(response: Response, shown: InstallationOut) -> InstallationOut:
    response.headers["ETag"] = tag_of(shown)
    return shown
