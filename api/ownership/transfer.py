"""An engine handed over: its owner offers it, and it changes hands once the other accepts."""

from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from taperwise.api.accounts import repository
from taperwise.api.accounts.tables import Offer, Person
from taperwise.api.core.database import Installation
from taperwise.api.installations import repository as installations
from taperwise.api.ownership.adviser_access import give
from taperwise.shared.errors import ConflictError, NotFoundError

__all__ = ["accept", "decline", "offer", "offer_of", "offers_to", "withdraw"]


def offer(session: Session, installation_id: int, person_id: int) -> None:
    """Offer an engine to somebody; an earlier offer is replaced. Nothing changes hands yet.

    Raises
    ------
    NotFoundError
        If there is no such installation or person.
    ConflictError
        If they own it already.
    """
    row = installations.get(session, installation_id, lock=True)
    repository.person(session, person_id)
    if row.owner_id == person_id:
        raise ConflictError(
            "this person owns the engine already", field="person_id", value=person_id, cure="Choose somebody else."
        )
    session.merge(Offer(installation_id=installation_id, person_id=person_id, at=datetime.now(UTC)))
    session.flush()


def offer_of(session: Session, installation_id: int) -> Person | None:
    """To whom an engine is offered; None if to nobody."""
    query = select(Person).join(Offer, Offer.person_id == Person.id).where(Offer.installation_id == installation_id)
    return session.scalars(query).one_or_none()


def offers_to(session: Session, person_id: int | None) -> list[tuple[int, str, str]]:
    """What is offered to somebody: number and name of each engine, and its owner's name."""
    query = (
        select(Installation.id, installations.NAME, Person.name)
        .join(Offer, Offer.installation_id == Installation.id)
        .outerjoin(Person, Person.id == Installation.owner_id)
        .where(Offer.person_id == person_id)
        .order_by(Installation.id)
    )
    return [
        (number, name or f"Engine {number}", owner or "the service") for number, name, owner in session.execute(query)
    ]


def accept(session: Session, installation_id: int, person_id: int) -> None:
    """Take over an engine that was offered; an adviser who hands it over keeps access.

    Raises
    ------
    NotFoundError
        If it is not offered to them.
    """
    session.delete(_offered(session, installation_id, person_id))
    session.flush()
    give(session, installation_id, person_id)


def decline(session: Session, installation_id: int, person_id: int) -> None:
    """Refuse an engine that was offered.

    Raises
    ------
    NotFoundError
        As `accept`.
    """
    session.delete(_offered(session, installation_id, person_id))
    session.flush()


def withdraw(session: Session, installation_id: int) -> None:
    """Offer an engine no longer; nothing happens where it was offered to nobody."""
    installations.get(session, installation_id, lock=True)
    row = session.get(Offer, installation_id)
    if row is not None:
        session.delete(row)
        session.flush()


def _offered(session: Session, installation_id: int, person_id: int) -> Offer:
    row = session.get(Offer, installation_id, with_for_update=True)
    if row is None or row.person_id != person_id:
        raise NotFoundError(
            "this engine is not offered to you", field="installation_id", value=installation_id,
            cure="Ask its owner to offer the engine again.",
        )  # fmt: skip
    return row
