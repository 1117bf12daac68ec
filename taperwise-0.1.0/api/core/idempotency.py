"""Sent once, done once: what was answered under a key is kept in the transaction of the deed, and answered again.

Without a key: 400; with another request under it: 422 (draft-ietf-httpapi-idempotency-key-header-07, sections 2.1, 2.6
and 2.7). The draft lets a second request be refused with 409 while the first is being worked on; here it waits at the
first one's row instead, and is answered as that was.
"""

import hashlib
import hmac
import json
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Annotated, Any, NamedTuple, Protocol

from fastapi import Depends, Header, Request
from fastapi.responses import JSONResponse
from pydantic_core import to_jsonable_python
from sqlalchemy import JSON, BigInteger, ForeignKey, Integer, String, delete, or_, select, tuple_, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import Base, Database, Id, Utc
from taperwise.api.core.dependencies import number_in
from taperwise.shared.errors import ReusedKeyError

__all__ = [
    "KEPT_FOR",
    "IdempotencyKey",
    "Made",
    "Once",
    "OncePosted",
    "forget_installation",
    "forget_person",
    "once_of",
]

KEPT_FOR = timedelta(days=30)
"""How long a key is kept at least: a phone may wait some weekends for its next signal."""

_AT_ONCE = 100
"""Old keys that one request drops at most."""

_INSERT: dict[str, Any] = {"sqlite": sqlite.insert, "postgresql": postgresql.insert}
_CREDENTIAL = secrets.token_bytes(32)

_Header = Annotated[
    str,
    Header(
        alias="Idempotency-Key",
        min_length=8,
        max_length=66,
        pattern=r'^("[A-Za-z0-9._:-]{8,64}"|[A-Za-z0-9._:-]{8,64})$',
        description="Id made by the sender, new for each request. A repeated request with its id is done once and "
        f"answered as before, for {KEPT_FOR.days} days. Another request with the same id is an error.",
        examples=["8e03978e-40d5-43e8-bc93-6894a57f9324"],
    ),
]


class IdempotencyKey(Base):
    """A key with what was done under it. `caller` is the person's number, 0 where people are not told apart.

    `document` is the answer but for what is made anew each time: a suggestion, or what a key opens with.
    """

    __tablename__ = "idempotency_keys"

    caller: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    operation: Mapped[str] = mapped_column(String(200))
    digest: Mapped[str] = mapped_column(String(64))
    created_at: Mapped[datetime] = mapped_column(Utc, index=True)
    status: Mapped[int | None] = mapped_column(Integer)
    location: Mapped[str | None] = mapped_column(String(200))
    document: Mapped[Any] = mapped_column(JSON(none_as_null=True), nullable=True)
    installation_id: Mapped[int | None] = mapped_column(Id, ForeignKey("installations.id"), index=True)
    person_id: Mapped[int | None] = mapped_column(Id, ForeignKey("people.id"), index=True)


class Made(NamedTuple):
    """What a deed came to; the numbers say whose erasure takes it along, where the address does not."""

    document: Any
    location: str | None = None
    installation_id: int | None = None
    person_id: int | None = None
    status: int = 201

    def response(self) -> JSONResponse:
        """It as an answer."""
        return JSONResponse(self.document, self.status, {"Location": self.location} if self.location else None)


@dataclass
class Once:
    """A request under its key; one without (a form that was not taken from a page) is done each time it is sent.

    Parameters
    ----------
    sent : bytes
        What is sent, as JSON.
    credential : bytes
        What whoever asks came in with, or random bytes of this process: never stored.
    """

    database: Database
    caller: int
    key: str | None
    operation: str
    sent: bytes = field(repr=False)
    credential: bytes = field(repr=False)
    installation_id: int | None
    person_id: int | None

    @cached_property
    def digest(self) -> str:
        """Of what is sent, however it is written."""
        return hashlib.sha256(json.dumps(json.loads(self.sent), sort_keys=True).encode()).hexdigest()

    @cached_property
    def earlier(self) -> Made | None:
        """What came of it before, for deeds that take long to prepare.

        Raises
        ------
        ReusedKeyError
            If the key stands for another request.
        """
        if self.key is None:
            return None
        with self.database.reading() as session:
            row = session.get(IdempotencyKey, (self.caller, self.key))
            return None if row is None else self._made(row)

    def do(self, deed: Callable[[Session], Made]) -> Made:
        """Do it in a unit of work of its own, unless it was done before.

        Returns
        -------
        Made
            Its document as JSON has it, whether it was done now or before.

        Raises
        ------
        ReusedKeyError
            If the key stands for another request.
        """
        with self.database.unit() as session:
            if self.key is not None and not self._claim(session):
                return self._made(session.get_one(IdempotencyKey, (self.caller, self.key)))
            made = deed(session)
            made = made._replace(document=to_jsonable_python(made.document))
            if self.key is not None:
                self._keep(session, made)
                _drop_old(session)
            return made

    def secret(self, salt: str) -> bytes:
        """256 bits that only the same request of whoever holds the same credential gives again."""
        told = f"{self.caller} {self.key} {self.operation} {self.digest} {salt}"
        return hmac.digest(self.credential, told.encode(), "sha256")

    def _claim(self, session: Session) -> bool:
        """Whether the key is new. Whoever comes second waits here until the first is stored, or failed."""
        row = {
            "caller": self.caller, "key": self.key, "operation": self.operation, "digest": self.digest,
            "created_at": datetime.now(UTC),
        }  # fmt: skip
        insert = _INSERT[session.get_bind().dialect.name](IdempotencyKey).values(row)
        return session.scalar(insert.on_conflict_do_nothing().returning(IdempotencyKey.key)) is not None

    def _keep(self, session: Session, made: Made) -> None:
        """Keep the answer. References come last: set first, two requests would share a lock that both then want."""
        mine = (IdempotencyKey.caller == self.caller, IdempotencyKey.key == self.key)
        values = made._asdict()
        for name in ("installation_id", "person_id"):
            values[name] = values[name] or getattr(self, name)
        session.execute(update(IdempotencyKey).where(*mine).values(values))

    def _made(self, row: IdempotencyKey) -> Made:
        if (row.operation, row.digest) != (self.operation, self.digest):
            seen = "another body" if row.operation == self.operation else f"another request, {row.operation}"
            raise ReusedKeyError(
                f"This Idempotency-Key came before, with {seen}",
                field="Idempotency-Key",
                value=self.key,
                cure="Make a new Idempotency-Key for each request. On a page, load the page again.",
            )
        return Made(row.document, row.location, row.installation_id, row.person_id, row.status or 201)


def _drop_old(session: Session) -> None:
    """Drop some keys that are too old; those that another request is dropping are left to it."""
    columns = (IdempotencyKey.caller, IdempotencyKey.key)
    old = select(*columns).where(IdempotencyKey.created_at < datetime.now(UTC) - KEPT_FOR).limit(_AT_ONCE)
    session.execute(delete(IdempotencyKey).where(tuple_(*columns).in_(old.with_for_update(skip_locked=True))))


def forget_installation(session: Session, installation_id: int) -> None:
    """Drop the keys of what was done to an installation."""
    session.execute(delete(IdempotencyKey).where(IdempotencyKey.installation_id == installation_id))


def forget_person(session: Session, person_id: int) -> None:
    """Drop the keys that somebody sent, and those of what was done to them."""
    mine = or_(IdempotencyKey.caller == person_id, IdempotencyKey.person_id == person_id)
    session.execute(delete(IdempotencyKey).where(mine))


class _Caller(Protocol):
    """What is asked of whoever asks."""

    @property
    def person_id(self) -> int | None:
        """Their number; None where people are not told apart."""
        ...


def once_of(request: Request, key: str | None, sent: bytes) -> Once:
    """A request under its key."""
    headers, path = request.headers, request.path_params
    caller: _Caller = request.state.caller
    credential = headers.get("authorization") or headers.get("cookie")
    return Once(
        database=request.app.state.database,
        caller=caller.person_id or 0,
        key=key,
        operation=f"{request.method} {request.url.path}",
        sent=sent,
        credential=_CREDENTIAL if credential is None else credential.encode(),
        installation_id=number_in(path.get("installation_id")),
        person_id=number_in(path.get("person_id")),
    )


async def _posted(request: Request, given: _Header) -> Once:
    return once_of(request, given.strip('"'), await request.body())


OncePosted = Annotated[Once, Depends(_posted)]
"""What every POST of the JSON API asks for: a way to do what was sent once."""
