"""Who an installation's owner is to the pool: a random token, of the person where people are told apart."""

import hashlib
import re
import secrets

from sqlalchemy.orm import Session

from taperwise.api.accounts import repository as people
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import prior_row, put_prior
from taperwise.api.pooling import repository
from taperwise.api.schemas.pool_documents import TOKEN_PATTERN
from taperwise.shared.errors import InvalidValueError

__all__ = ["known_owner", "owner_hash", "owner_token", "token_shown"]


def owner_hash(token: str) -> str:
    """What stands for an owner: a hash, so that the token itself stays with its owner."""
    return hashlib.sha256(token.encode()).hexdigest()


def owner_token(session: Session, installation_id: int, given: str | None) -> str:
    """The token of an installation's owner, made where there is none yet.

    All installations of a person are of one owner, whatever they say. Where people are not told apart each is of its
    own, unless the token of another one is given.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    InvalidValueError
        If a token is given that is none; or any where people are told apart: it could be somebody else's.
    """
    if given is not None and not re.fullmatch(TOKEN_PATTERN, given):
        raise InvalidValueError(
            "this is no pool token", field="owner", value=given[:40],
            cure="Give all 32 characters, 0 to 9 and a to f, or leave it blank.",
        )  # fmt: skip
    person_id = installations.get(session, installation_id).owner_id
    row = prior_row(session, installation_id)
    if person_id is None:
        token = given or (row.owner if row is not None else secrets.token_hex(16))
    else:
        token = _of_person(session, person_id)
        if given not in (None, token):
            raise InvalidValueError(
                "people are told apart here: all your engines count as one owner by themselves", field="owner",
                value=f"{str(given)[:4]}…", cure="Leave it out.",
            )  # fmt: skip
    put_prior(session, installation_id, token, row.version if row else None, row.document if row else None)
    repository.set_owner(session, installation_id, token, owner_hash(token))
    return token


def known_owner(session: Session, installation_id: int) -> str:
    """The hash that stands for an installation's owner now; empty where the pool does not know them yet."""
    person_id = installations.get(session, installation_id).owner_id
    row = prior_row(session, installation_id)
    if person_id is not None:
        return owner_hash(_of_person(session, person_id))
    return "" if row is None else owner_hash(row.owner)


def token_shown(session: Session, installation_id: int) -> str | None:
    """The token for its owner to give with other installations; None where people are told apart and need none."""
    row = prior_row(session, installation_id)
    nobody = installations.get(session, installation_id).owner_id is None
    return row.owner if nobody and row is not None else None


def _of_person(session: Session, person_id: int) -> str:
    return people.person(session, person_id).pool_token or ""  # all have one but those who are erased
