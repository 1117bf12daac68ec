"""Routes of belongings: everything of one's own taken along or erased; who looks after an installation, whose it is."""

from typing import Any

from fastapi import APIRouter, Response

from api.access import storage
from api.access.caller import number_of
from api.access.documents import AdviserOut, PersonOut
from api.access.gate import Asker
from api.access.roles import Rule, may
from api.belongings import erasure, trusts
from api.belongings.export import export_of
from api.http.problems import responses
from api.places import InstallationId, PersonId, ReadingUnit, Unit

__all__ = ["router"]

router = APIRouter(prefix="/api/v1", tags=["belongings"])

_ENTRUSTED = responses(404, 422, 503)


@router.get("/me/export", **may(Rule.SIGNED_IN), responses=responses(409, 503), summary="Everything of one's own")
def my_export(asker: Asker, unit: ReadingUnit) -> dict[str, Any]:
    """Everything that is stored of whoever asks: the person, the keys without what opens, every installation."""
    return export_of(unit, number_of(asker))


@router.delete("/me", **may(Rule.SIGNED_IN), status_code=204, responses=responses(404, 409, 503), summary="Be erased")
def erase_me(asker: Asker, unit: Unit) -> Response:
    """Erase whoever asks with every installation they own; export first. It cannot be undone."""
    erasure.erase(unit, number_of(asker))
    return Response(status_code=204)


@router.delete(
    "/people/{person_id}",
    **may(Rule.ADMINISTERS),
    status_code=204,
    responses=responses(404, 409, 422, 503),
    summary="Erase somebody",
)
def erase(person_id: PersonId, unit: Unit) -> Response:
    """Erase somebody with every installation they own. It cannot be undone."""
    erasure.erase(unit, person_id)
    return Response(status_code=204)


@router.get("/advisers", **may(Rule.SIGNED_IN), responses=responses(503), summary="Advisers")
def advisers(unit: ReadingUnit) -> list[PersonOut]:
    """Who may be entrusted with an installation."""
    return [PersonOut.of(row) for row in storage.named_advisers(unit)]


@router.get(
    "/installations/{installation_id}/advisers", **may(Rule.SEES), responses=_ENTRUSTED, summary="Who looks after it"
)
def entrusted(installation_id: InstallationId, unit: ReadingUnit) -> list[AdviserOut]:
    """Advisers of the installation."""
    return [AdviserOut.of(trust, person) for trust, person in storage.advisers_of(unit, installation_id)]


@router.put(
    "/installations/{installation_id}/advisers/{person_id}",
    **may(Rule.OWNS),
    status_code=204,
    responses=_ENTRUSTED,
    summary="Entrust it",
)
def entrust(installation_id: InstallationId, person_id: PersonId, unit: Unit) -> Response:
    """Let an adviser see the installation and record for it."""
    trusts.entrust(unit, installation_id, person_id)
    return Response(status_code=204)


@router.delete(
    "/installations/{installation_id}/advisers/{person_id}",
    **may(Rule.OWNS),
    status_code=204,
    responses=_ENTRUSTED,
    summary="Take it back",
)
def take_back(installation_id: InstallationId, person_id: PersonId, unit: Unit) -> Response:
    """Entrust it to them no longer."""
    trusts.take_back(unit, installation_id, person_id)
    return Response(status_code=204)


@router.put(
    "/installations/{installation_id}/owner/{person_id}",
    **may(Rule.OWNS),
    status_code=204,
    responses=_ENTRUSTED,
    summary="Give it to somebody",
)
def give(installation_id: InstallationId, person_id: PersonId, unit: Unit) -> Response:
    """Make somebody else the owner; an adviser who gives away what they set up goes on looking after it."""
    trusts.give(unit, installation_id, person_id)
    return Response(status_code=204)
