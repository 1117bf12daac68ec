"""Queries for people, keys, sign-ins and trusts."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from taperwise.api.accounts.tables import AdviserGrant, Change, Invitation, Key, Offer, Person, Seen, SignIn
from taperwise.api.core.database import Installation
from taperwise.shared.errors import NotFoundError

__all__ = [
    "administrators",
    "advisers_of",
    "by_cookie",
    "by_key",
    "by_name",
    "changed_by_nobody",
    "end_sign_in",
    "end_sign_ins",
    "end_sign_ins_before",
    "forget",
    "keys_of",
    "named_advisers",
    "owned",
    "people",
    "person",
    "relation",
    "see",
    "seen_at",
    "set_last_used",
    "trust",
]


def person(session: Session, number: int, *, lock: bool = False) -> Person:
    """Somebody who is not erased.

    Raises
    ------
    NotFoundError
        If there is nobody under that number.
    """
    query = select(Person).where(Person.id == number, Person.erased_at.is_(None))
    row = session.scalars(query.with_for_update() if lock else query).one_or_none()
    if row is None:
        raise NotFoundError(
            "Person not found", field="person_id", value=number, cure="Check the number in the list of people."
        )
    return row


def people(session: Session) -> list[Person]:
    """Everybody who is not erased."""
    return list(session.scalars(select(Person).where(Person.erased_at.is_(None)).order_by(Person.id)))


def by_name(session: Session, name: str) -> Person | None:
    """Somebody by name."""
    return session.scalars(select(Person).where(Person.name == name)).one_or_none()


def named_advisers(session: Session) -> list[Person]:
    """Everybody who may be entrusted with an installation."""
    return [each for each in people(session) if "adviser" in each.roles]


def administrators(session: Session) -> int:
    """How many people can sign in and administer the service, by a key that holds or by a password."""
    keys = select(Key.person_id).where(Key.revoked_at.is_(None), Key.scope == "everything")
    may_enter = or_(Person.id.in_(keys), Person.password.is_not(None))
    return sum("administrator" in roles for roles in session.scalars(select(Person.roles).where(may_enter)))


def by_key(session: Session, digest: str) -> tuple[Key, Person] | None:
    """A key that holds, with its person."""
    query = select(Key, Person).join(Person).where(Key.digest == digest, Key.revoked_at.is_(None))
    row = session.execute(query).one_or_none()
    return None if row is None else (row[0], row[1])


def by_cookie(session: Session, digest: str, now: datetime) -> tuple[SignIn, Person, Key | None] | None:
    """A sign-in that holds, with its person and the key it was made with."""
    query = (
        select(SignIn, Person, Key)
        .join(Person, Person.id == SignIn.person_id)
        .outerjoin(Key, Key.id == SignIn.key_id)
        .where(SignIn.digest == digest, SignIn.until > now)
    )
    row = session.execute(query).one_or_none()
    if row is None or (row[2] is not None and row[2].revoked_at is not None):
        return None
    return row[0], row[1], row[2]


def end_sign_in(session: Session, digest: str) -> None:
    """Sign a browser out."""
    session.execute(delete(SignIn).where(SignIn.digest == digest))


def end_sign_ins(session: Session, person_id: int) -> None:
    """Sign somebody out everywhere."""
    session.execute(delete(SignIn).where(SignIn.person_id == person_id))


def end_sign_ins_before(session: Session, now: datetime) -> None:
    """Forget what has run out."""
    session.execute(delete(SignIn).where(SignIn.until <= now))


def forget(session: Session, person_id: int) -> None:
    """Remove somebody's sign-ins and keys, and what was entrusted or offered to them."""
    end_sign_ins(session, person_id)
    for table in (AdviserGrant, Key, Invitation, Offer, Seen):
        session.execute(delete(table).where(table.person_id == person_id))


def changed_by_nobody(session: Session, person_id: int) -> None:
    """Keep what somebody changed, and not that it was they."""
    session.execute(update(Change).where(Change.person_id == person_id).values(person_id=None, by="erased"))


def set_last_used(session: Session, key_id: int, now: datetime) -> None:
    """Note that a key was used."""
    session.execute(update(Key).where(Key.id == key_id).values(last_used_at=now))


def keys_of(session: Session, person_id: int) -> list[Key]:
    """Somebody's keys, revoked ones too."""
    return list(session.scalars(select(Key).where(Key.person_id == person_id).order_by(Key.id)))


def relation(session: Session, installation_id: int, person_id: int) -> str:
    """What a person is to an installation: ``owner``, ``adviser`` or nothing."""
    owner = session.scalar(select(Installation.owner_id).where(Installation.id == installation_id))
    if owner == person_id:
        return "owner"
    return "adviser" if trust(session, installation_id, person_id) is not None else ""


def trust(session: Session, installation_id: int, person_id: int) -> AdviserGrant | None:
    """Whether, and since when, a person looks after an installation."""
    return session.get(AdviserGrant, (installation_id, person_id))


def advisers_of(session: Session, installation_id: int) -> list[tuple[AdviserGrant, Person]]:
    """An adviser with access to an engine."""
    query = (
        select(AdviserGrant, Person)
        .join(Person)
        .where(AdviserGrant.installation_id == installation_id)
        .order_by(Person.id)
    )
    return [(row[0], row[1]) for row in session.execute(query)]


def seen_at(session: Session, installation_id: int, person_id: int) -> datetime | None:
    """When somebody last looked at an installation; None if never."""
    return session.scalar(select(Seen.at).where(Seen.installation_id == installation_id, Seen.person_id == person_id))


def see(session: Session, person_id: int, installations: Collection[int], at: datetime) -> None:
    """Note when somebody looked at installations; an earlier time than the one noted changes nothing.

    Parameters
    ----------
    person_id : int
        0 for everyone where sign-in is off.
    """
    mine = select(Seen).where(Seen.person_id == person_id, Seen.installation_id.in_(installations)).with_for_update()
    known = {row.installation_id: row for row in session.scalars(mine)}
    for number in installations:
        if number not in known:
            session.merge(Seen(person_id=person_id, installation_id=number, at=at))
        elif known[number].at < at:
            known[number].at = at
    session.flush()


def owned(session: Session, person_id: int) -> list[int]:
    """Numbers of the installations somebody owns."""
    return list(
        session.scalars(select(Installation.id).where(Installation.owner_id == person_id).order_by(Installation.id))
    )
