"""An installation erased, with everything that hangs on it; somebody erased, with all they own."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from taperwise.api.accounts import repository
from taperwise.api.accounts.service import keep_one_administrator
from taperwise.api.accounts.tables import AdviserGrant, Offer, Seen
from taperwise.api.core.database import Answer, Correction, Entry, Note, Trace
from taperwise.api.core.idempotency import forget_installation, forget_person
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import EnginePriorRow
from taperwise.api.installations.standing import Standing
from taperwise.api.log import repository as repository_of_log
from taperwise.api.log.photos import Photo
from taperwise.api.pooling.service import withdraw_live
from taperwise.api.pooling.tables import Contribution
from taperwise.api.recommendations.repository import EarlierFitRow
from taperwise.shared.errors import ConflictError

__all__ = ["delete_empty", "erase", "erase_installation"]


def delete_empty(session: Session, installation_id: int) -> None:
    """Remove an installation in which nothing is recorded.

    Raises
    ------
    NotFoundError, ConflictError
        If there is none, or it holds an entry.
    """
    installations.get(session, installation_id, lock=True)
    if repository_of_log.last_sequence(session, installation_id):
        raise ConflictError(
            "this engine has entries, and entries are kept", field="installation_id", value=installation_id,
            cure="Void the entries that are wrong. An administrator can erase a person with all their engines.",
        )  # fmt: skip
    erase_installation(session, installation_id)


def erase_installation(session: Session, installation_id: int) -> None:
    """Remove an installation from the tables; what it left to the pool is withdrawn."""
    row = installations.get(session, installation_id, lock=True)  # nothing new may hang on it meanwhile
    withdraw_live(session, installation_id, datetime.now(UTC))
    session.execute(
        update(Contribution).where(Contribution.installation_id == installation_id).values(installation_id=None)
    )
    entries = select(Entry.id).where(Entry.installation_id == installation_id)
    session.execute(delete(Correction).where(Correction.entry_id.in_(entries)))
    session.execute(delete(Trace).where(Trace.entry_id.in_(entries)))
    session.execute(delete(Photo).where(Photo.entry_id.in_(entries)))
    for table in (Entry, Note, Answer, EnginePriorRow, AdviserGrant, EarlierFitRow, Standing, Seen, Offer):
        session.execute(delete(table).where(table.installation_id == installation_id))
    forget_installation(session, installation_id)
    session.delete(row)
    session.flush()


def erase(session: Session, person_id: int) -> list[int]:
    """Erase somebody with all they own. What they changed stays known, not that it was they.

    Returns
    -------
    list of int
        Numbers of the installations that went with them.

    Raises
    ------
    NotFoundError
        If there is no such person.
    ConflictError
        If they are the last who can administer the service.
    """
    row = repository.person(session, person_id, lock=True)
    keep_one_administrator(session, row)
    gone: Sequence[int] = repository.owned(session, person_id)
    for number in gone:
        erase_installation(session, number)
    repository.forget(session, person_id)
    session.execute(update(Note).where(Note.person_id == person_id).values(person_id=None, author=""))
    forget_person(session, person_id)
    row.name, row.roles, row.password, row.pool_token, row.erased_at = None, [], None, None, datetime.now(UTC)
    session.flush()
    repository.changed_by_nobody(session, person_id)
    return list(gone)
