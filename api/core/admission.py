"""How many requests are worked on at a time. The others wait in line, and hold neither a thread nor a connection.

A request takes its place first, then a thread, then a connection. There are at least as many threads and connections
as places. So no request waits for what another one holds while that one waits for it.
"""

import asyncio
import math
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from contextvars import ContextVar, copy_context
from functools import partial
from inspect import iscoroutinefunction

from fastapi import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from taperwise.shared.errors import BusyError

__all__ = ["PLACES", "Admission", "Arrivals", "admit", "in_request", "set_aside", "unattended", "waited_seconds"]

PLACES = 4
"""Requests worked on at a time; more of them make nothing faster on two cores, and keep the event loop waiting."""

_MOST_ASIDE = 24
"""Requests that wait for a calculation in threads of their own; with the places fewer than there are threads (40)."""

_AT_ONCE = 4  # requests let in between two rounds of the event loop, about a millisecond each
_MOST_WAITING = 256
"""Requests that wait at a time. One more is refused at once, for a fraction of what answering it costs."""

_LONGEST_SECONDS = 10.0
"""Nobody is kept in the line who can be foreseen to wait longer."""

_LOOK_AGAIN_SECONDS = 1.0
_FIRST_GUESS_SECONDS = 0.02
_WEIGHT = 0.1  # of each new request in the mean time that a place is held


class Admission:
    """A line for places, first come, first served. Used from one event loop.

    Parameters
    ----------
    places : int
        Requests worked on at a time.
    """

    def __init__(self, places: int = PLACES) -> None:
        self._places = self._free = places
        self._arriving: deque[asyncio.Future[None]] = deque()
        self._line: deque[asyncio.Future[None]] = deque()
        self._pacing: asyncio.Task[None] | None = None
        self._held_seconds = _FIRST_GUESS_SECONDS
        self._aside = threading.BoundedSemaphore(_MOST_ASIDE)

    async def arrive(self) -> float:
        """Let a request in when its turn comes: few at a time, so that the event loop goes on with those before it.

        Returns
        -------
        float
            When it arrived, for `place`.

        Raises
        ------
        BusyError
            If it is foreseen to wait too long.
        """
        waiting = len(self._arriving) + len(self._line)
        arrived, mine = time.perf_counter(), asyncio.get_running_loop().create_future()
        self._arriving.append(mine)
        if self._pacing is None or self._pacing.done():
            self._pacing = asyncio.create_task(self._let_in())
        await mine
        if waiting >= _MOST_WAITING:  # refused in turn, too: a thousand refusals in one round would hold up the others
            raise self._refusal(_MOST_WAITING)
        return arrived

    async def _let_in(self) -> None:
        while self._arriving:
            for _ in range(min(_AT_ONCE, len(self._arriving))):
                first = self._arriving.popleft()
                if not first.done():
                    first.set_result(None)
            await asyncio.sleep(0)

    @asynccontextmanager
    async def place(self, arrived: float) -> AsyncIterator[None]:
        """Wait for a place, and hold it.

        Raises
        ------
        BusyError
            If the wait would be too long; told `_LOOK_AGAIN_SECONDS` after it arrived.
        """
        await self._enter(arrived)
        held = _Place(self, asyncio.get_running_loop(), arrived)
        token = _current.set(held)
        try:
            yield
        finally:
            _current.reset(token)
            held.leave()

    async def _enter(self, arrived: float) -> None:
        if self._free:  # then nobody waits: a place that is left goes to whoever is first
            self._free -= 1
            return
        mine: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._line.append(mine)
        try:
            await asyncio.wait({mine}, timeout=max(0.0, arrived + _LOOK_AGAIN_SECONDS - time.perf_counter()))
            if not mine.done():
                ahead = self._line.index(mine)
                if self._foreseen(ahead) > _LONGEST_SECONDS:
                    raise self._refusal(ahead)
            await mine
        except BaseException:
            if mine.done() and not mine.cancelled():
                self.leave()
            elif mine in self._line:
                self._line.remove(mine)
            raise

    def _refusal(self, ahead: int) -> BusyError:
        later = max(1, math.ceil(self._foreseen(ahead)))
        cure = f"Try again in {later} s."
        return BusyError("Too many requests wait at the moment. Nothing was stored", seconds=later, cure=cure)

    def _foreseen(self, ahead: int) -> float:
        return (ahead + 1) * self._held_seconds / self._places

    def leave(self, seconds: float | None = None) -> None:
        """Give a place to whoever is first in line; `seconds` is how long it was held."""
        if seconds is not None:
            self._held_seconds += _WEIGHT * (seconds - self._held_seconds)
        while self._line:
            first = self._line.popleft()
            if not first.done():
                first.set_result(None)
                return
        self._free += 1

    def take_aside(self) -> bool:
        """Whether there is room for one more request that waits beside the places."""
        return self._aside.acquire(blocking=False)

    def back(self) -> None:
        """A request that waited beside the places is done."""
        self._aside.release()


class _Place:
    """One request's place."""

    def __init__(self, admission: Admission, loop: asyncio.AbstractEventLoop, arrived: float) -> None:
        self._admission, self._loop, self.arrived = admission, loop, arrived
        self._begun = time.perf_counter()
        self._given_up = False

    def give_up(self) -> bool:
        """Let somebody else have it, from the thread that is about to wait; False where too many wait already."""
        if self._given_up:
            return True
        if not self._admission.take_aside():
            return False
        self._given_up = True
        self._loop.call_soon_threadsafe(self._admission.leave)
        return True

    def leave(self) -> None:
        """The request is done."""
        if self._given_up:
            self._admission.back()
        else:
            self._admission.leave(time.perf_counter() - self._begun)


_current: ContextVar[_Place | None] = ContextVar("place", default=None)


def set_aside() -> bool:
    """Give up the place of the request that is served now, which is about to wait for a calculation.

    Returns
    -------
    bool
        False where it must not wait, because too many do. True outside requests.
    """
    held = _current.get()
    return held is None or held.give_up()


def in_request() -> bool:
    """Whether a request is served now, which somebody waits for."""
    return _current.get() is not None


def waited_seconds() -> float:
    """How long ago the request arrived that is served now; 0 outside requests."""
    held = _current.get()
    return 0.0 if held is None else time.perf_counter() - held.arrived


def unattended[T](work: Callable[[], T]) -> Callable[[], T]:
    """`work` for another thread, in the context of this one but for the request: nobody waits for it there."""
    context = copy_context()
    context.run(_current.set, None)
    return partial(context.run, work)


class Arrivals:
    """ASGI middleware, outside all others: lets requests in as `Admission` does, or refuses them.

    Parameters
    ----------
    admission : Admission
    at_once : tuple of str
        Addresses that are let in at once: whether the service is well has to be known most of all where it is not.
    refused : callable
        Answer to a request that is not let in.
    """

    def __init__(
        self,
        app: ASGIApp,
        admission: Admission,
        at_once: tuple[str, ...],
        refused: Callable[[Request, BusyError], Awaitable[Response]],
    ) -> None:
        self.app, self._admission, self._at_once, self._refused = app, admission, at_once, refused

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in, or refuse."""
        if scope["type"] == "http" and scope["path"] not in self._at_once:
            try:
                scope.setdefault("state", {})["arrived"] = await self._admission.arrive()
            except BusyError as error:
                response = await self._refused(Request(scope), error)
                await response(scope, receive, send)
                return
        await self.app(scope, receive, send)


async def admit(request: Request) -> AsyncIterator[None]:
    """A place for the request, as the first dependency of every route; one that needs no thread needs no place.

    Raises
    ------
    BusyError
        If the wait would be too long.
    """
    if iscoroutinefunction(request.scope["route"].endpoint):
        yield
        return
    admission: Admission = request.app.state.admission
    async with admission.place(request.state.arrived):
        yield
