"""Answers take seconds, the first one a minute: they are made beside the page, which says what is going on."""

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Annotated, Any

from fastapi import Depends, Request

from taperwise.api.core.admission import unattended
from taperwise.api.core.database import Database
from taperwise.api.log.respond_async import RecommendationResult
from taperwise.api.recommendations.patience import USUAL_SECONDS, Patience
from taperwise.api.recommendations.service import RecommendationService
from taperwise.shared.errors import ConflictError

__all__ = ["AtWork", "BackgroundCalls"]

_PATIENCE_SECONDS = 1.0
"""How long a page is held back for an answer that is nearly there."""

_MOST = 256  # calls that go on or wait at a time
_MOST_OF_ONE = 4  # of them for one installation, so that nobody keeps others waiting by asking much
_MOST_UNASKED = 32  # results kept that nobody came back for


class BackgroundCalls:
    """Whatever is being made, by its key; the same thing is never made twice at a time.

    Parameters
    ----------
    patience : Patience, optional
        How long requests wait for all that they wait for.
    """

    def __init__(self, patience: Patience | None = None) -> None:
        self._patience = patience or Patience(USUAL_SECONDS)
        self._pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="work")
        self._lock = threading.Lock()
        self._going: dict[Any, Future[Any]] = {}
        self._stops: dict[Any, threading.Event] = {}

    def begin(self, key: Any, deed: Callable[[Callable[[], None]], None], patience: float | None = None) -> bool:
        """Do something that takes long, as whoever asks; whether it is done already.

        Parameters
        ----------
        deed : callable
            Gets what it calls before it stores anything: that raises where the deed was cancelled.

        Raises
        ------
        ConflictError
            If it was cancelled.
        """
        with self._lock:
            stop = self._stops.setdefault(key, threading.Event())

        def go_on() -> None:
            if stop.is_set():
                raise ConflictError("this was cancelled; nothing was stored", cure="Start again if you want to.")

        def done() -> bool:
            deed(go_on)
            return True

        return bool(self.done(key, done, patience))

    def going(self, key: Any) -> bool:
        """Whether it goes on.

        Raises
        ------
        TaperwiseError
            Once, if it failed meanwhile.
        """
        with self._lock:
            known = key in self._going
        return known and self.done(key, lambda: True, 0.0) is None

    def cancel(self, key: Any) -> None:
        """Drop it: what is calculated already is not stored."""
        with self._lock:
            stop, future = self._stops.pop(key, None), self._going.pop(key, None)
        if stop is not None:
            stop.set()
        if future is not None:
            future.cancel()

    def close(self) -> None:
        """Begin nothing more."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def done[T](self, key: Any, make: Callable[[], T], patience: float | None = None) -> T | None:
        """What `make` makes; None as long as it is being made, or waits because too much goes on.

        The key's second part is the installation it is made for.

        A failure is raised to the first that asks after it; the next one makes it anew.
        """
        future = self._begun(key, make)
        if future is None:
            return None
        if not self._patience.comes(future, _PATIENCE_SECONDS if patience is None else patience):
            return None
        with self._lock:
            if self._going.get(key) is future:
                del self._going[key]
                self._stops.pop(key, None)
        made: T = future.result()
        return made

    def _begun(self, key: Any, make: Callable[[], Any]) -> "Future[Any] | None":
        """What goes on under this key, begun now if it does not; None where too much does."""
        with self._lock:
            future = self._going.get(key)
            if future is None:
                ended = [known for known, each in self._going.items() if each.done()]
                for known in ended[: max(0, len(ended) - _MOST_UNASKED)]:  # nobody came back for the oldest
                    del self._going[known]
                of_this_one = sum(known[1] == key[1] for known, each in self._going.items() if not each.done())
                if of_this_one >= _MOST_OF_ONE or len(self._going) - len(ended) >= _MOST:
                    return None
                future = self._going[key] = self._pool.submit(unattended(make))
            return future

    def answer(
        self, desk: RecommendationService, database: Database, installation_id: int, patience: float | None = None
    ) -> RecommendationResult | None:
        """The answer to the log as it is; None as long as it is being made, or the model is not ready yet."""
        kept = desk.kept(database, installation_id)
        if kept is not None:
            return RecommendationResult(kept)
        made = self.done(("answer", installation_id), lambda: desk.answer_or_none(database, installation_id), patience)
        if made is not None and made.retry_after is not None:
            return None
        if made is None or made.suggestion is None:
            return made
        kept = desk.kept(database, installation_id)  # the log may have grown since the work began
        return None if kept is None else RecommendationResult(kept)


async def _work(request: Request) -> BackgroundCalls:
    work: BackgroundCalls = request.app.state.work
    return work


AtWork = Annotated[BackgroundCalls, Depends(_work)]
