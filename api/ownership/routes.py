"""Routes of belongings: everything of one's own taken along or erased; who looks after an installation, whose it is."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from taperwise.api.accounts import repository
from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.accounts.principal import number_of
from taperwise.api.accounts.schemas import AdviserOut, OfferOut, PersonOut
from taperwise.api.core.dependencies import Number, PersonId, ReadingUnit, Unit
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.ownership import adviser_access, erasure, transfer
from taperwise.api.ownership.data_export import export_of

__all__ = ["router"]

router = APIRouter(prefix="/api/v1", tags=["belongings"])

OfferedId = Annotated[Number, Path(description="Number of the installation that is offered.")]
_ENTRUSTED = responses(404, 422, 503)


@router.get("/me/export", **requires(Rule.SIGNED_IN), responses=responses(409, 503), summary="Export your data")
def my_export(asker: Asker, unit: ReadingUnit) -> dict[str, Any]:
    """Returns your person, your access keys without secrets and every engine that you own."""
    return export_of(unit, number_of(asker))


@router.delete(
    "/me", **requires(Rule.SIGNED_IN), status_code=204, responses=responses(404, 409, 503), summary="Erase yourself"
)
def erase_me(asker: Asker, unit: Unit) -> Response:
    """Erases you and every engine that you own. Nobody can undo that. Export first."""
    erasure.erase(unit, number_of(asker))
    return Response(status_code=204)


@router.delete(
    "/installations/{installation_id}",
    **requires(Rule.OWNS),
    status_code=204,
    responses=responses(404, 409, 422, 503),
    summary="Delete an empty installation",
)
def delete_installation(installation_id: InstallationId, unit: Unit) -> Response:
    """Delete an installation in which nothing is recorded yet; one with entries is kept."""
    erasure.delete_empty(unit, installation_id)
    return Response(status_code=204)


@router.delete(
    "/people/{person_id}",
    **requires(Rule.ADMINISTERS),
    status_code=204,
    responses=responses(404, 409, 422, 503),
    summary="Erase a person",
)
def erase(person_id: PersonId, unit: Unit) -> Response:
    """Erases a person and every engine that the person owns. Nobody can undo that."""
    erasure.erase(unit, person_id)
    return Response(status_code=204)


@router.get("/advisers", **requires(Rule.SIGNED_IN), responses=responses(503), summary="List advisers")
def advisers(unit: ReadingUnit) -> list[PersonOut]:
    """Returns the advisers who can get access to an engine."""
    return [PersonOut.of(row) for row in repository.named_advisers(unit)]


@router.get(
    "/installations/{installation_id}/advisers",
    **requires(Rule.SEES),
    responses=_ENTRUSTED,
    summary="List advisers with access",
)
def entrusted(installation_id: InstallationId, unit: ReadingUnit) -> list[AdviserOut]:
    """Returns the advisers with access to the engine."""
    return [AdviserOut.of(trust, person) for trust, person in repository.advisers_of(unit, installation_id)]


@router.put(
    "/installations/{installation_id}/advisers/{person_id}",
    **requires(Rule.OWNS),
    status_code=204,
    responses=_ENTRUSTED,
    summary="Give access",
)
def entrust(installation_id: InstallationId, person_id: PersonId, unit: Unit) -> Response:
    """Lets an adviser see the engine and record entries."""
    adviser_access.grant_access(unit, installation_id, person_id)
    return Response(status_code=204)


@router.delete(
    "/installations/{installation_id}/advisers/{person_id}",
    **requires(Rule.OWNS),
    status_code=204,
    responses=_ENTRUSTED,
    summary="Withdraw access",
)
def take_back(installation_id: InstallationId, person_id: PersonId, unit: Unit) -> Response:
    """Removes the adviser's access."""
    adviser_access.take_back(unit, installation_id, person_id)
    return Response(status_code=204)


@router.put(
    "/installations/{installation_id}/offer/{person_id}",
    **requires(Rule.OWNS),
    status_code=204,
    responses=responses(404, 409, 422, 503),
    summary="Offer it to somebody",
)
def offer(installation_id: InstallationId, person_id: PersonId, unit: Unit) -> Response:
    """Offer the installation to somebody. They own it once they accept; an earlier offer is replaced."""
    transfer.offer(unit, installation_id, person_id)
    return Response(status_code=204)


@router.delete(
    "/installations/{installation_id}/offer",
    **requires(Rule.OWNS),
    status_code=204,
    responses=_ENTRUSTED,
    summary="Withdraw the offer",
)
def withdraw_offer(installation_id: InstallationId, unit: Unit) -> Response:
    """Offer the installation to nobody any more."""
    transfer.withdraw(unit, installation_id)
    return Response(status_code=204)


@router.get("/me/offers", **requires(Rule.SIGNED_IN), responses=responses(409, 503), summary="Offered to you")
def offers(asker: Asker, unit: ReadingUnit) -> list[OfferOut]:
    """Installations that their owners offer you."""
    found = transfer.offers_to(unit, number_of(asker))
    return [OfferOut(installation_id=number, name=name, owner=owner) for number, name, owner in found]


@router.put(
    "/me/offers/{offered_id}",
    **requires(Rule.SIGNED_IN),
    status_code=204,
    responses=responses(404, 409, 422, 503),
    summary="Accept an offer",
)
def accept_offer(offered_id: OfferedId, asker: Asker, unit: Unit) -> Response:
    """Own an installation that was offered to you; an adviser who hands it over keeps access."""
    transfer.accept(unit, offered_id, number_of(asker))
    return Response(status_code=204)


@router.delete(
    "/me/offers/{offered_id}",
    **requires(Rule.SIGNED_IN),
    status_code=204,
    responses=responses(404, 409, 422, 503),
    summary="Decline an offer",
)
def decline_offer(offered_id: OfferedId, asker: Asker, unit: Unit) -> Response:
    """Refuse an installation that was offered to you."""
    transfer.decline(unit, offered_id, number_of(asker))
    return Response(status_code=204)
