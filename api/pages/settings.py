"""Units of an installation, which may be changed at any time, and how it was set up."""

from typing import Any, get_args

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from api.http.checked import RefusedError, checked, told
from api.installations import service as installations
from api.log import service
from api.pages.next_step import name_of
from api.pages.problem_pages import PageRoute
from api.pages.rendering import page
from api.pages.typed import Form, Typed
from api.places import Db, InstallationId
from api.told.words import sign
from api.wire.units import Units

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_UNITS = TypeAdapter(Units)
_NAMES = {
    "temperature": "Air temperature",
    "temperature_rise": "EGT rise",
    "pressure": "Pressure",
    "elevation": "Elevation",
    "length": "Length",
    "taper": "Taper slope",
    "head_temperature": "Cylinder head temperature",
    "exhaust_temperature": "Exhaust gas temperature",
    "fuel_flow": "Fuel flow",
    "volume": "Displacement",
}


@router.get("/settings")
def show(installation_id: InstallationId, database: Db) -> Response:
    """The units, and the set-up in them."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    return _form(log, Typed(log.sent.units.model_dump()), [])


@router.post("/settings")
def change(installation_id: InstallationId, typed: Form, database: Db) -> Response:
    """Change the units; what was typed stays as it was typed."""
    try:
        units = checked(_UNITS, typed.document(*_NAMES))
    except RefusedError as error:
        with database.reading() as session:
            return _form(service.load(session, installation_id), typed, told(error), 422)
    with database.unit() as session:
        installations.change_units(session, installation_id, units)
    return RedirectResponse(f"/installations/{installation_id}/settings", 303)


def _form(log: service.Log, typed: Typed, errors: list[Any], status: int = 200) -> Response:
    options = [
        (name, words, [(unit, sign(unit)) for unit in get_args(Units.model_fields[name].annotation)])
        for name, words in _NAMES.items()
    ]
    return page(
        "settings.html", status, number=log.installation_id, name=name_of(log), here="/settings",
        heading="Units and set-up", typed=typed, errors=errors, options=options, sent=log.sent.in_preferred_units(),
    )  # fmt: skip
