"""Sent once, recorded once: ids that senders make, as the IETF draft of the Idempotency-Key header field asks.

The id is kept on the row it made, in the same transaction, so what came before under it is found again for as long as
the row is there. Without an id: 400; with another payload: 422; while the first is still being worked on: 409
(draft-ietf-httpapi-idempotency-key-header-07, sections 2.1, 2.6 and 2.7).
"""

import threading
from collections.abc import Iterator
from typing import Annotated, Any, Protocol

from fastapi import Depends, Header, Request

from taperwise.shared.errors import ConflictError, ReusedKeyError

__all__ = ["ClientId", "InFlight", "require_same_payload"]

_Header = Annotated[
    str,
    Header(
        alias="Idempotency-Key",
        min_length=8,
        max_length=66,
        pattern=r'^("[A-Za-z0-9._:-]{8,64}"|[A-Za-z0-9._:-]{8,64})$',
        description="An id made by the sender, new for everything that is sent: sent again under it, it is recorded "
        "once and answered as before.",
        examples=["8e03978e-40d5-43e8-bc93-6894a57f9324"],
    ),
]


class InFlight:
    """Ids that are being worked on in this process; another process waits at the row instead."""

    def __init__(self) -> None:
        self._ids: set[tuple[Any, ...]] = set()
        self._lock = threading.Lock()

    def begin(self, key: tuple[Any, ...]) -> bool:
        """Begin; False where it was begun already."""
        with self._lock:
            if key in self._ids:
                return False
            self._ids.add(key)
            return True

    def end(self, key: tuple[Any, ...]) -> None:
        """End."""
        with self._lock:
            self._ids.discard(key)


class _Caller(Protocol):
    """What is asked of whoever asks."""

    @property
    def person_id(self) -> int | None:
        """Their number; None where people are not told apart."""
        ...


def _once(request: Request, given: _Header) -> Iterator[str]:
    flight: InFlight = request.app.state.in_flight
    caller: _Caller = request.state.caller
    client_id = given.strip('"')
    key = (caller.person_id, request.url.path, client_id)
    if not flight.begin(key):
        raise ConflictError(
            "the first request under this id is still being worked on",
            field="Idempotency-Key",
            value=client_id,
            cure="Wait for its answer, or send this again in a moment.",
        )
    try:
        yield client_id
    finally:
        flight.end(key)


ClientId = Annotated[str, Depends(_once, scope="function")]
"""The id of what is sent."""


def require_same_payload(same: bool, client_id: str | None, what: str) -> None:
    """What stands under an id already has to be what is sent now.

    Raises
    ------
    ReusedKeyError
        If it is something else.
    """
    if not same:
        raise ReusedKeyError(
            f"this id stands for {what}, which holds something else",
            field="Idempotency-Key",
            value=client_id,
            cure="Make a new id for everything you send; correct the entry if it was wrong.",
        )
