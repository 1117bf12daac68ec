"""Units of an installation, which may be changed at any time, and how it was set up."""

from typing import Any, get_args

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from taperwise.api.accounts import repository
from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.accounts.principal import Caller
from taperwise.api.core.dependencies import Db, number_in
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.installations import service as installations
from taperwise.api.log import service
from taperwise.api.ownership import adviser_access, transfer
from taperwise.api.presentation.formatting import sign
from taperwise.api.schemas.units import Units
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page

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


@router.get("/settings", **requires(Rule.SEES))
def show(installation_id: InstallationId, database: Db, asker: Asker) -> Response:
    """The units, the set-up in them, and who looks after it."""
    with database.reading() as session:
        log = service.load(session, installation_id)
        return _form(session, asker, log, Typed(log.sent.units.model_dump()), [])


@router.post("/settings", **requires(Rule.SEES))
def change(installation_id: InstallationId, typed: Form, database: Db, asker: Asker) -> Response:
    """Change the units; what was typed stays as it was typed."""
    try:
        units = validate_document(_UNITS, typed.document(*_NAMES))
    except RefusedError as error:
        with database.reading() as session:
            return _form(session, asker, service.load(session, installation_id), typed, field_errors(error), 422)
    with database.unit() as session:
        installations.change_units(session, installation_id, units)
    return RedirectResponse(f"/installations/{installation_id}/settings", 303)


@router.post("/advisers", **requires(Rule.OWNS))
def entrust(installation_id: InstallationId, typed: Form, database: Db) -> Response:
    """Entrust the installation to an adviser, or take it back."""
    number = number_in(typed.raw.get("person_id")) or 0  # nobody has 0
    act = adviser_access.take_back if typed.get("take_back") else adviser_access.grant_access
    with database.unit() as session:
        act(session, installation_id, number)
    return RedirectResponse(f"/installations/{installation_id}/settings#advisers", 303)


@router.post("/offer", **requires(Rule.OWNS))
def offer(installation_id: InstallationId, typed: Form, database: Db, asker: Asker) -> Response:
    """Offer the engine to somebody by name, or withdraw the offer. It changes hands once they accept."""
    with database.unit() as session:
        if typed.get("withdraw"):
            transfer.withdraw(session, installation_id)
            return RedirectResponse(f"/installations/{installation_id}/settings#owner", 303)
        person = repository.by_name(session, typed.get("to"))
        if person is not None and person.id != asker.person_id:
            transfer.offer(session, installation_id, person.id)
            return RedirectResponse(f"/installations/{installation_id}/settings#owner", 303)
        log = service.load(session, installation_id)
        wrong = FieldError(
            field="to", value=typed.get("to")[:80], message="nobody else has an account with this name",
            cure="Type the name as it stands on their account page.",
        )  # fmt: skip
        return _form(session, asker, log, Typed(log.sent.units.model_dump()), [wrong], 422)


def _form(
    session: Session, asker: Caller, log: service.Log, typed: Typed, errors: list[Any], status: int = 200
) -> Response:
    options = [
        (name, words, [(unit, sign(unit)) for unit in get_args(Units.model_fields[name].annotation)])
        for name, words in _NAMES.items()
    ]
    return page(
        "settings.html", status, number=log.installation_id, name=name_of(log), here="/settings",
        heading="Units and set-up", typed=typed, errors=errors, options=options, sent=log.sent.in_preferred_units(),
        **_advisers(session, asker, log.installation_id),
    )  # fmt: skip


def _advisers(session: Session, asker: Caller, installation_id: int) -> dict[str, Any]:
    """Who looks after it, and who else could; nobody where people are not told apart."""
    if asker.person_id is None:
        return {"entrusted": [], "others": [], "owns": False, "told_apart": False, "offered": ""}
    held = [person for _, person in repository.advisers_of(session, installation_id)]
    numbers = {person.id for person in held}
    return {
        "entrusted": [(person.id, person.name) for person in held],
        "others": [
            (p.id, p.name) for p in repository.named_advisers(session) if p.id not in numbers | {asker.person_id}
        ],
        "owns": repository.relation(session, installation_id, asker.person_id) == "owner",
        "told_apart": True,
        "offered": offered.name if (offered := transfer.offer_of(session, installation_id)) else "",
    }
