"""What happens when an installation is set up or changed."""

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from taperwise.api.core.database import Installation
from taperwise.api.installations import repository
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.units import Units

__all__ = ["change_units", "set_up"]


def set_up(session: Session, sent: InstallationIn, owner_id: int | None) -> Installation:
    """Store an installation.

    Raises
    ------
    InvalidValueError
        If its parts do not fit together.
    """
    sent.record()  # refuses what does not fit together before anything is stored
    document = sent.model_dump(mode="json", exclude_none=True)
    return repository.add(session, document, datetime.now(UTC), owner_id)


def change_units(session: Session, installation_id: int, units: Units) -> None:
    """Change the units answers come in. Nothing that was typed changes.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    row = repository.get(session, installation_id, lock=True)
    row.document = {**row.document, "units": units.model_dump(mode="json")}
