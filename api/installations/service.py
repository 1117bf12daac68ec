"""What happens when an installation is changed."""

from sqlalchemy.orm import Session

from api.installations import storage
from api.wire.units import Units

__all__ = ["change_units"]


def change_units(session: Session, installation_id: int, units: Units) -> None:
    """Change the units answers come in. Nothing that was typed changes.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    row = storage.get(session, installation_id, lock=True)
    row.document = {**row.document, "units": units.model_dump(mode="json")}
