"""What happens when an installation is set up or changed."""

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from taperwise.api.core.database import Installation
from taperwise.api.core.idempotency import require_same_payload
from taperwise.api.installations import repository
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.units import Units

__all__ = ["change_units", "set_up"]


def set_up(session: Session, sent: InstallationIn, owner_id: int | None, client_id: str | None) -> Installation:
    """Store an installation; one that came before under the same id is stored once.

    Raises
    ------
    InvalidValueError, ReusedKeyError
        If its parts do not fit together, or the id is another installation's.
    """
    sent.record()  # refuses what does not fit together before anything is stored
    document = sent.model_dump(mode="json", exclude_none=True)
    earlier = None if client_id is None else repository.by_client(session, client_id)
    if earlier is None:
        return repository.add(session, document, datetime.now(UTC), owner_id, client_id)
    units_apart = {**earlier.document, "units": None} == {**document, "units": None}  # they may be changed later
    require_same_payload(units_apart and earlier.owner_id == owner_id, client_id, "an installation")
    return earlier


def change_units(session: Session, installation_id: int, units: Units) -> None:
    """Change the units answers come in. Nothing that was typed changes.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    row = repository.get(session, installation_id, lock=True)
    row.document = {**row.document, "units": units.model_dump(mode="json")}
