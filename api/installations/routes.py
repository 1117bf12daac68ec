"""Routes of installations."""

from typing import Annotated

from fastapi import APIRouter, Body, Query, Response
from fastapi.openapi.models import Example

from api.access.gate import Asker
from api.access.roles import Rule, may
from api.database import Installation
from api.http.numbers import Count
from api.http.problems import responses
from api.installations import service, storage
from api.once import ClientId
from api.places import InstallationId, ReadingUnit, Unit
from api.wire.installation import InstallationIn, Sought
from api.wire.records import InstallationOut, InstallationPage
from api.wire.units import Units

__all__ = ["outward", "router"]

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
    "three": {"summary": "Three needles on hand", "value": _EXAMPLE},
    "one": {"summary": "The least that will do", "value": _NEEDLES_ALONE},
}
_UNITS: dict[str, Example] = {
    "celsius": {"summary": "Temperatures in °C", "value": {"temperature": "degC", "temperature_rise": "delta_degC"}},
}


def outward(row: Installation) -> InstallationOut:
    """A stored installation as it is shown."""
    sent = InstallationIn.model_validate(row.document)
    return InstallationOut(
        id=row.id, created_at=row.created_at, installation=sent, in_preferred_units=sent.in_preferred_units()
    )


@router.post(
    "",
    **may(Rule.SETS_UP),
    status_code=201,
    responses=responses(400, 409, 413, 415, 422, 503, 507),
    summary="Set up an installation",
)
def create(
    sent: Annotated[InstallationIn, Body(openapi_examples=_EXAMPLES)],
    unit: Unit,
    response: Response,
    asker: Asker,
    client_id: ClientId,
) -> InstallationOut:
    """One engine with its throttle body, the needles on hand and the targets. Only the needles have no default."""
    row = service.set_up(unit, sent, asker.person_id, client_id)
    response.headers["Location"] = f"/api/v1/installations/{row.id}"
    return outward(row)


@router.get("", **may(Rule.SIGNED_IN), responses=responses(422, 503), summary="List installations")
def listing(
    unit: ReadingUnit,
    asker: Asker,
    limit: Annotated[Count, Query(ge=1, le=200)] = 50,
    offset: Annotated[Count, Query(ge=0, le=2**31)] = 0,
    name: Annotated[Sought, Query(description="part of the name, or the number")] = "",
) -> InstallationPage:
    """Installations of whoever asks, the newest first."""
    total, rows = storage.page(unit, limit, offset, asker.visible(), name)
    return InstallationPage(total=total, installations=[outward(row) for row in rows])


@router.put(
    "/{installation_id}/units",
    **may(Rule.SEES),
    responses=responses(400, 404, 413, 415, 422, 503, 507),
    summary="Change the units",
)
def units(
    installation_id: InstallationId, sent: Annotated[Units, Body(openapi_examples=_UNITS)], unit: Unit
) -> InstallationOut:
    """The units answers come in; what was typed stays as it was typed. What is left out is at its default."""
    service.change_units(unit, installation_id, sent)
    return outward(storage.get(unit, installation_id))


@router.get("/{installation_id}", **may(Rule.SEES), responses=responses(404, 422, 503), summary="Show an installation")
def show(installation_id: InstallationId, unit: ReadingUnit) -> InstallationOut:
    """One installation as it was set up."""
    return outward(storage.get(unit, installation_id))
