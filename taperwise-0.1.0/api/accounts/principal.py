"""Whoever asks: a person by key or sign-in, this machine's own user, or nobody known."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

from sqlalchemy import ColumnElement, or_, select, true

from taperwise.api.accounts.tables import AdviserGrant
from taperwise.api.core.database import Installation
from taperwise.api.core.roles import Role
from taperwise.shared.errors import ConflictError

__all__ = ["COMMAND_LINE", "LOCAL", "NOBODY", "SERVICE", "Caller", "as_principal", "current", "number_of"]


@dataclass(frozen=True)
class Caller:
    """Whoever asks.

    Parameters
    ----------
    how : str
        How they are known: ``local``, ``command line``, ``service``, ``key 3``, ``sign-in``, ``nobody``.
    person_id : int or None
    name : str
    roles : frozenset of Role
    everything : bool
        Whether they may do anything to anything: this machine's own user, where nobody else is let in.
    only_reads : bool
    by_cookie : bool
        Whether a browser said who it is by itself, so that a page from elsewhere could make it ask.
    """

    how: str
    person_id: int | None = None
    name: str = ""
    roles: frozenset[Role] = frozenset()
    everything: bool = False
    only_reads: bool = False
    by_cookie: bool = False

    @property
    def known(self) -> bool:
        """Whether it is anybody."""
        return self.everything or self.person_id is not None

    def has(self, *roles: Role) -> bool:
        """Whether they have any of these roles."""
        return self.everything or bool(self.roles.intersection(roles))

    def visible(self) -> ColumnElement[bool]:
        """Which installations they have to do with, as a condition."""
        if self.everything:
            return true()
        entrusted = select(AdviserGrant.installation_id).where(AdviserGrant.person_id == self.person_id)
        owned = Installation.owner_id == self.person_id
        return or_(owned, Installation.id.in_(entrusted)) if self.has(Role.ADVISER) else owned


LOCAL = Caller("local", everything=True)
COMMAND_LINE = Caller("command line", everything=True)
SERVICE = Caller("service", everything=True)
NOBODY = Caller("nobody")

_current: ContextVar[Caller] = ContextVar("caller", default=SERVICE)


def current() -> Caller:
    """Whoever is being served now."""
    return _current.get()


@contextmanager
def as_principal(caller: Caller) -> Iterator[None]:
    """Serve somebody."""
    token = _current.set(caller)
    try:
        yield
    finally:
        _current.reset(token)


def number_of(asker: Caller) -> int:
    """The number of whoever asks.

    Raises
    ------
    ConflictError
        If sign-in is off.
    """
    if asker.person_id is None:
        raise ConflictError(
            "Sign-in is off, so this service has no accounts",
            field="access",
            value="local",
            cure="Set TAPERWISE_ACCESS=keys.",
        )
    return asker.person_id
