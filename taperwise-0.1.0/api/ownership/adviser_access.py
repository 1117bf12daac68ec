"""What happens when an installation is given to somebody, or entrusted to an adviser."""

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from taperwise.api.accounts import repository
from taperwise.api.accounts.tables import AdviserGrant
from taperwise.api.core.roles import Role
from taperwise.api.installations import repository as installations
from taperwise.api.pooling.service import on_owner_changed
from taperwise.shared.errors import InvalidValueError, NotFoundError

__all__ = ["give", "grant_access", "take_back"]


def grant_access(session: Session, installation_id: int, person_id: int) -> None:
    """Let an adviser see an installation and record for it; once more does nothing.

    Raises
    ------
    NotFoundError
        If there is no such installation or person.
    InvalidValueError
        If the person is no adviser.
    """
    installations.get(session, installation_id, lock=True)
    person = repository.person(session, person_id)
    if Role.ADVISER not in person.roles:
        raise InvalidValueError(
            "This person is not an adviser", field="person_id", value=person_id, cure="Choose one of the advisers."
        )
    if repository.trust(session, installation_id, person_id) is None:
        session.add(AdviserGrant(installation_id=installation_id, person_id=person_id, since=datetime.now(UTC)))
        session.flush()


def take_back(session: Session, installation_id: int, person_id: int) -> None:
    """Entrust an installation to somebody no longer.

    Raises
    ------
    NotFoundError
        If it was not entrusted to them.
    """
    installations.get(session, installation_id, lock=True)
    row = repository.trust(session, installation_id, person_id)
    if row is None:
        raise NotFoundError(
            "This adviser has no access to this engine",
            field="person_id",
            value=person_id,
            cure="Check the number in the list of advisers with access.",
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
    repository.person(session, person_id)
    before, row.owner_id = row.owner_id, person_id
    session.flush()
    on_owner_changed(session, installation_id)
    if before is not None and before != person_id and Role.ADVISER in repository.person(session, before).roles:
        grant_access(session, installation_id, before)
