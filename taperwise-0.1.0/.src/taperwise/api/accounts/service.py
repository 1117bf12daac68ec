"""What happens when people are let in: made, given keys and passwords, signed in."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from sqlalchemy.orm import Session

from taperwise.api.accounts import credentials, repository
from taperwise.api.accounts.principal import Caller
from taperwise.api.accounts.schemas import KeyMade, KeyOut
from taperwise.api.accounts.tables import Key, Person, SignIn
from taperwise.api.core.idempotency import Made, Once
from taperwise.api.core.roles import Role, Scope
from taperwise.shared.errors import ConflictError, InvalidValueError, NotFoundError

__all__ = [
    "SIGNED_IN_FOR",
    "add",
    "caller_of",
    "checked_name",
    "give_key",
    "give_key_once",
    "keep_one_administrator",
    "revoke",
    "set_password",
    "set_roles",
    "sign_in",
    "sign_in_with_key",
    "sign_in_with_password",
]

SIGNED_IN_FOR = timedelta(days=14)
"""How long a browser stays signed in: from one flying weekend to the next, and the one after."""

_SHORTEST_PASSWORD = 12
_LONGEST_NAME = 100


def checked_name(session: Session, name: str) -> str:
    """A name for somebody new, without space around it.

    Raises
    ------
    InvalidValueError
        If it is empty or too long.
    ConflictError
        If there is somebody of that name.
    """
    name = name.strip()
    if not 1 <= len(name) <= _LONGEST_NAME:
        raise InvalidValueError(
            f"a name has between 1 and {_LONGEST_NAME} characters", field="name", value=f"{len(name)} characters",
            cure='Give for example "the builder in hangar 7".',
        )  # fmt: skip
    if repository.by_name(session, name) is not None:
        raise ConflictError("Another person has this name", field="name", value=name, cure="Choose another name.")
    return name


def add(session: Session, name: str, roles: Iterable[Role]) -> Person:
    """Make somebody known.

    Raises
    ------
    InvalidValueError, ConflictError
        If the name is empty, or there is somebody of that name.
    """
    name = checked_name(session, name)
    row = Person(name=name, roles=sorted({str(role) for role in roles}), created_at=datetime.now(UTC))
    session.add(row)
    session.flush()
    return row


def set_roles(session: Session, person_id: int, roles: Iterable[Role]) -> Person:
    """Change what somebody is to this service.

    Raises
    ------
    NotFoundError
        If there is no such person.
    InvalidValueError
        If they would have no role.
    ConflictError
        If nobody could administer the service any more.
    """
    row, wanted = repository.person(session, person_id, lock=True), sorted({str(role) for role in roles})
    if not wanted:
        raise InvalidValueError("a person has at least one role", field="roles", cure="Tick one role or more.")
    if Role.ADMINISTRATOR not in wanted:
        keep_one_administrator(session, row)
    row.roles = wanted
    session.flush()
    return row


def keep_one_administrator(session: Session, row: Person) -> None:
    """Refuse to lose the last who can administer the service.

    Raises
    ------
    ConflictError
        If this person is the last.
    """
    others = [each for each in repository.people(session) if each.id != row.id and Role.ADMINISTRATOR in each.roles]
    if Role.ADMINISTRATOR in row.roles and not others:
        raise ConflictError(
            "This is the last administrator",
            field="person_id",
            value=row.id,
            cure="Give another person the role administrator first.",
        )


def give_key(session: Session, person_id: int, label: str, scope: Scope, secret: str | None = None) -> tuple[Key, str]:
    """Make a key; what is handed back beside it, a new secret unless one is given, is shown once and kept nowhere.

    Raises
    ------
    NotFoundError
        If there is no such person.
    """
    repository.person(session, person_id, lock=True)
    secret = secret or credentials.new_secret()
    row = Key(
        person_id=person_id,
        digest=credentials.digest(secret),
        label=label,
        scope=str(scope),
        created_at=datetime.now(UTC),
    )
    session.add(row)
    session.flush()
    return row, secret


def give_key_once(once: Once, person_id: int, label: str, scope: Scope) -> KeyMade:
    """Make a key once. Asked again, what opens is worked out anew: it depends on what whoever asks came in with.

    Raises
    ------
    NotFoundError, ReusedKeyError
        If there is no such person, or the idempotency key stands for another request.
    ConflictError
        If it was made before, and whoever asks came in otherwise then.
    """

    def deed(session: Session) -> Made:
        salt = credentials.new_secret()
        row, secret = give_key(session, person_id, label, scope, credentials.as_secret(once.secret(salt)))
        return Made({"key": KeyOut.of(row), "salt": salt, "digest": credentials.digest(secret)}, person_id=person_id)

    document = once.do(deed).document
    key, secret = document["key"], credentials.as_secret(once.secret(document["salt"]))
    if credentials.digest(secret) != document["digest"]:
        raise ConflictError(
            f"Key {key['id']} was made. Only the sign-in or key that asked for its secret can see the secret again",
            field="Idempotency-Key",
            value=once.key,
            cure=f"Revoke key {key['id']} and make another.",
        )
    return KeyMade(key=KeyOut.model_validate_json(json.dumps(key)), secret=secret)


def revoke(session: Session, person_id: int, key_id: int) -> Key:
    """Let a key open nothing any more.

    Raises
    ------
    NotFoundError
        If the person has no such key.
    """
    row = session.get(Key, key_id, with_for_update=True)
    if row is None or row.person_id != person_id:
        raise NotFoundError(
            "Access key not found", field="key_id", value=key_id, cure="Check the number in the list of access keys."
        )
    row.revoked_at = row.revoked_at or datetime.now(UTC)
    return row


def set_password(session: Session, person_id: int, password: str) -> None:
    """Set a password, and sign the person out everywhere.

    Raises
    ------
    InvalidValueError
        If it is too short (NIST SP 800-63B, section 3.1.1.2, asks for length, not for kinds of characters; a single
        factor needs 15, here the page is one of a small house and 12 is asked for) or the person's own name.
    """
    row = repository.person(session, person_id, lock=True)
    if len(password) < _SHORTEST_PASSWORD or password.casefold() == (row.name or "").casefold():
        raise InvalidValueError(
            f"A password needs at least {_SHORTEST_PASSWORD} characters and must differ from the name",
            field="password",
            value=f"{len(password)} characters",
            cure="Use three or four words that nobody would put together.",
        )
    row.password = credentials.hash_password(password)
    repository.end_sign_ins(session, person_id)


def caller_of(person: Person, how: str, key: Key | None = None, *, by_cookie: bool = False) -> Caller:
    """Somebody who asks."""
    return Caller(
        how=how,
        person_id=person.id,
        name=person.name or "",
        roles=frozenset(Role(role) for role in person.roles),
        only_reads=key is not None and key.scope == Scope.READING,
        by_cookie=by_cookie,
    )


def sign_in_with_key(session: Session, secret: str) -> str | None:
    """A cookie for whoever holds a key; None for a key that opens nothing."""
    found = repository.by_key(session, credentials.digest(secret))
    return None if found is None else sign_in(session, found[1].id, found[0].id)


def sign_in_with_password(session: Session, name: str, password: str) -> str | None:
    """A cookie for whoever knows a name and its password; None for anybody else."""
    person = repository.by_name(session, name)
    if not credentials.verify_password(password, None if person is None else person.password) or person is None:
        return None
    if person.password is not None and credentials.wants_new_hash(person.password):
        person.password = credentials.hash_password(password)
    return sign_in(session, person.id, None)


def sign_in(session: Session, person_id: int, key_id: int | None = None) -> str:
    """Sign a browser in; what is handed back is its cookie."""
    now = datetime.now(UTC)
    repository.end_sign_ins_before(session, now)
    secret = credentials.new_secret()
    until = now + SIGNED_IN_FOR
    session.add(SignIn(digest=credentials.digest(secret), person_id=person_id, key_id=key_id, until=until))
    return secret
