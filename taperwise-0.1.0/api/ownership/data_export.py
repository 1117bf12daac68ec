"""Everything that is stored of somebody, to be taken along."""

from typing import Any

from sqlalchemy.orm import Session

from taperwise.api.accounts import repository
from taperwise.api.accounts.schemas import KeyOut, PersonOut
from taperwise.api.exports.archive import pack

__all__ = ["export_of"]


def export_of(session: Session, person_id: int) -> dict[str, Any]:
    """The person, the keys without what opens, and every installation as a sealed parcel.

    Raises
    ------
    NotFoundError
        If there is no such person.
    """
    row = repository.person(session, person_id)
    return {
        "person": PersonOut.of(row).model_dump(mode="json"),
        "keys": [KeyOut.of(key).model_dump(mode="json") for key in repository.keys_of(session, person_id)],
        "installations": [
            pack(session, number).model_dump(mode="json") for number in repository.owned(session, person_id)
        ],
    }
