"""What happens when an installation is given to somebody, or entrusted to an adviser."""

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from api.access import storage
from api.access.roles import Role
from api.access.tables import Trust
from api.installations import storage as installations
from api.pool.service import given_away
from shared.errors import InvalidValueError, NotFoundError

__all__ = ["entrust", "give", "take_back"]


def entrust(session: Session, installation_id: int, person_id: int) -> None:
    """Let an adviser see an installation and record for it; once more does nothing.

    Raises
    ------
    NotFoundError
        If there is no such installation or person.
    InvalidValueError
        If the person is no adviser.
    """
    installations.get(session, installation_id, lock=True)
    person = storage.person(session, person_id)
    if Role.ADVISER not in person.roles:
        raise InvalidValueError(
            "this person is no adviser", field="person_id", value=person_id, cure="Choose one of the advisers."
        )
    if storage.trust(session, installation_id, person_id) is None:
        session.add(Trust(installation_id=installation_id, person_id=person_id, since=datetime.now(UTC)))
        session.flush()


def take_back(session: Session, installation_id: int, person_id: int) -> None:
    """Entrust an installation to somebody no longer.

    Raises
    ------
    NotFoundError
        If it was not entrusted to them.
    """
    installations.get(session, installation_id, lock=True)
    row = storage.trust(session, installation_id, person_id)
    if row is None:
        raise NotFoundError(
            "it is not entrusted to them", field="person_id", value=person_id, cure="The list shows to whom it is."
        )
    session.delete(row)
    session.flush()


def give(session: Session, installation_id: int, person_id: int) -> None:
    """Make somebody the owner; an adviser who gives away what they set up goes on looking after it.

    Raises
    ------
    NotFoundError
        If there is no such installation or person.
    """
    row = installations.get(session, installation_id, lock=True)
    storage.person(session, person_id)
    before, row.owner_id = row.owner_id, person_id
    session.flush()
    given_away(session, installation_id)
    if before is not None and before != person_id and Role.ADVISER in storage.person(session, before).roles:
        entrust(session, installation_id, before)
