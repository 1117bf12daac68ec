"""Server-sent events: the answer to the log as it is is there."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Annotated

from anyio import CapacityLimiter, to_thread
from fastapi import APIRouter, Depends, Header, HTTPException, Request
from fastapi.sse import format_sse_event
from pydantic import BaseModel, Field
from sqlalchemy.exc import SQLAlchemyError
from starlette.responses import Response, StreamingResponse

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.conditional import tag_of
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Count, Db
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.installations import repository as installations
from taperwise.api.log import repository as entries
from taperwise.api.log import service
from taperwise.api.recommendations import repository
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import ConflictError, NotFoundError

__all__ = ["LONGEST_SECONDS", "Streams", "router"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}", tags=["advice"])

LONGEST_SECONDS = 60.0
"""How long a stream lasts without an answer."""

_EACH = 4  # streams of one caller at a time
_LOOK_SECONDS = 1.0
_HEARTBEAT_LOOKS = 10  # looks from one comment to the next
_RETRY_MS = 3000
_MEDIA_TYPE = "text/event-stream"
_HEADERS = {"Cache-Control": "no-cache", "X-Accel-Buffering": "no"}  # the latter for nginx, which else holds it back


class SuggestionReady(BaseModel):
    """Data of the event."""

    version: int = Field(description="Version of the log; grows with every entry and correction.")
    sequence: int = Field(description="Number of the last entry.")
    etag: str = Field(description="`ETag` of the result.")
    link: str = Field(description="Address of the result.")


_EVENT = {
    "type": "object",
    "required": ["data", "event", "id"],
    "properties": {
        "data": {
            "type": "string",
            "contentMediaType": "application/json",
            "contentSchema": SuggestionReady.model_json_schema(),
        },
        "event": {"const": "suggestion"},
        "id": {"type": "string"},
        "retry": {"type": "integer"},
    },
}
"""One event, as OpenAPI 3.2 and the framework's own streams describe it."""


class Streams:
    """The streams that are open, so many of each caller. Used from one event loop.

    Parameters
    ----------
    each : int
        Streams of one caller at a time.

    Attributes
    ----------
    looks : CapacityLimiter
        The one thread, and the one connection, in which all of them look for their answers in turn.
    """

    def __init__(self, each: int = _EACH) -> None:
        self._each, self._open = each, Counter[str]()
        self.looks = CapacityLimiter(1)

    @contextmanager
    def one(self, who: str) -> Iterator[None]:
        """Hold a stream.

        Raises
        ------
        HTTPException
            If the caller has as many as one may have.
        """
        if self._open[who] >= self._each:
            told = f"You have {self._each} streams open. Close one, then try again."
            raise HTTPException(429, told, {"Retry-After": str(int(LONGEST_SECONDS))})
        self._open[who] += 1
        try:
            yield
        finally:
            self._open[who] -= 1
            self._open += Counter()  # drops whoever has none


@dataclass(frozen=True)
class _Watch:
    """Looks for the answer of one installation.

    `known` is the version that the client has already.
    """

    database: Database
    desk: RecommendationService
    installation_id: int
    known: int | None

    def look(self) -> bytes | None:
        """The event, if there is an answer that the client does not have.

        Raises
        ------
        NotFoundError
            If there is no such installation.
        """
        number = self.installation_id
        with self.database.reading() as session:
            installations.get(session, number)
            version = service.log_revision(session, number)
            if version == self.known or not repository.answered(
                session, number, version, self.desk.seed, MODEL_VERSION
            ):
                return None
            last = entries.last_sequence(session, number)
        found = self.desk.kept(self.database, number)
        if found is None:
            return None
        link = f"/api/v1/installations/{number}/suggestion"
        ready = SuggestionReady(version=version, sequence=last, etag=tag_of(found), link=link)
        return format_sse_event(event="suggestion", data_str=ready.model_dump_json(), id=str(version), retry=_RETRY_MS)


async def _opened(request: Request, asker: Asker) -> AsyncIterator[Streams]:
    streams: Streams = request.app.state.streams
    address = request.client.host if request.client else ""
    with streams.one(f"at {address}" if asker.person_id is None else str(asker.person_id)):
        yield streams


@router.get(
    "/events",
    **requires(Rule.SEES),
    response_class=StreamingResponse,  # the framework's own class is for generators, which would take a place
    response_model=None,
    responses={**responses(404, 409, 422, 429, 503), 200: {"content": {_MEDIA_TYPE: {"itemSchema": _EVENT}}}},
    summary="Wait for the next step",
)
async def events(
    request: Request,
    installation_id: InstallationId,
    database: Db,
    desk: AdviceDesk,
    streams: Annotated[Streams, Depends(_opened)],
    last_event_id: Annotated[
        Count | None,
        Header(alias="Last-Event-ID", description="`id` of the last event. Only a later one is sent. Null: any."),
    ] = None,
) -> Response:
    """A stream (text/event-stream) of one event `suggestion`, once the result for the present log is there.

    The event has `version`, `sequence`, `etag` and `link` of the result. The stream ends with it, or after 60 s.
    """
    watch = _Watch(database, desk, installation_id, last_event_id)
    found = await to_thread.run_sync(watch.look, limiter=streams.looks)
    if found is None and not desk.later(installation_id):
        raise ConflictError(
            "This service calculates a result only when you request it", cure="Request the suggestion instead."
        )
    if request.scope.get("head"):
        return Response(headers=_HEADERS, media_type=_MEDIA_TYPE)
    return StreamingResponse(_events(watch, found, streams.looks), headers=_HEADERS, media_type=_MEDIA_TYPE)


async def _events(watch: _Watch, found: bytes | None, looks: CapacityLimiter) -> AsyncIterator[bytes]:
    now = asyncio.get_running_loop().time
    end, looked = now() + LONGEST_SECONDS, 0
    while found is None and now() < end:
        if looked % _HEARTBEAT_LOOKS == 0:
            yield format_sse_event(comment="waiting")
        await asyncio.sleep(min(_LOOK_SECONDS, max(0.0, end - now())))
        try:
            found = await to_thread.run_sync(watch.look, limiter=looks)
        except (NotFoundError, SQLAlchemyError):
            return  # erased, or the database is away: whoever comes back is told so
        looked += 1
    if found is not None:
        yield found
