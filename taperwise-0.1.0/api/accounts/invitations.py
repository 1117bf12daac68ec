"""Links that let somebody in once: a new person, or a known one who needs a new password."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from taperwise.api.accounts import credentials, repository, service
from taperwise.api.accounts.tables import Invitation
from taperwise.api.core.roles import Role
from taperwise.shared.errors import ConflictError, NotFoundError

__all__ = ["FIRST_NAME", "GOOD_FOR", "accept", "find", "first_link", "invite", "open_ones", "reset", "withdraw"]

GOOD_FOR = timedelta(days=7)
"""How long a link works."""

FIRST_NAME = "administrator"
"""What the first person is called who may do anything here."""


def invite(session: Session, name: str, roles: Iterable[Role]) -> str:
    """Make a link for somebody new; what is handed back opens it, is shown once and kept nowhere.

    Raises
    ------
    InvalidValueError, ConflictError
        If the name is empty, or somebody has it already or is invited under it.
    """
    name = service.checked_name(session, name)
    if session.scalars(select(Invitation).where(Invitation.name == name, Invitation.person_id.is_(None))).first():
        raise ConflictError(
            "there is an invitation for that name", field="name", value=name, cure="Withdraw that invitation first."
        )
    return _made(session, name, sorted({str(role) for role in roles}), None)


def reset(session: Session, person_id: int) -> str:
    """Make a link with which somebody sets a new password; an earlier one works no longer.

    Raises
    ------
    NotFoundError
        If there is no such person.
    """
    row = repository.person(session, person_id)
    session.execute(delete(Invitation).where(Invitation.person_id == person_id))
    return _made(session, row.name or "", list(row.roles), person_id)


def first_link(session: Session) -> str:
    """The link for the first administrator; one made before and not used works no longer."""
    session.execute(delete(Invitation).where(Invitation.name == FIRST_NAME, Invitation.person_id.is_(None)))
    known = repository.by_name(session, FIRST_NAME)
    if known is not None:
        return reset(session, known.id)
    return _made(session, FIRST_NAME, [str(Role.ADMINISTRATOR), str(Role.ADVISER)], None)


def open_ones(session: Session) -> list[Invitation]:
    """Links that still work, the latest first."""
    query = select(Invitation).where(Invitation.until > datetime.now(UTC)).order_by(Invitation.id.desc())
    return list(session.scalars(query))


def withdraw(session: Session, invitation_id: int) -> None:
    """Make a link useless.

    Raises
    ------
    NotFoundError
        If there is no such link, or it was used.
    """
    row = session.get(Invitation, invitation_id)
    if row is None:
        raise NotFoundError(
            "there is no such invitation", field="invitation_id", value=invitation_id, cure="It may have been used."
        )
    session.delete(row)
    session.flush()


def find(session: Session, secret: str, *, lock: bool = False) -> Invitation:
    """The link that a secret opens.

    Raises
    ------
    NotFoundError
        If it opens none, or none any more.
    """
    query = select(Invitation).where(Invitation.digest == credentials.digest(secret))
    row = session.scalars(query.with_for_update() if lock else query).one_or_none()
    if row is None or row.until <= datetime.now(UTC):
        raise NotFoundError(
            "this link was used or is too old", field="invitation", cure="Ask an administrator for a new link."
        )
    return row


def accept(session: Session, secret: str, password: str) -> str:
    """Let somebody in with the password they chose; the link works no longer.

    Returns
    -------
    str
        What their browser is signed in with.

    Raises
    ------
    NotFoundError, ConflictError, InvalidValueError
        If the link opens nothing, the name was taken meanwhile, or the password is too short.
    """
    row = find(session, secret, lock=True)
    number = row.person_id
    if number is None:
        number = service.add(session, row.name, [Role(role) for role in row.roles]).id
    service.set_password(session, number, password)
    session.delete(row)
    session.flush()
    return service.sign_in(session, number)


def _made(session: Session, name: str, roles: list[str], person_id: int | None) -> str:
    secret, now = credentials.new_secret(), datetime.now(UTC)
    session.execute(delete(Invitation).where(Invitation.until <= now))
    session.add(
        Invitation(
            digest=credentials.digest(secret), name=name, roles=roles, person_id=person_id, made_at=now,
            until=now + GOOD_FOR,
        )
    )  # fmt: skip
    session.flush()
    return secret
