"""The desk where answers are made: it asks the model, and keeps each answer with what the next ones need."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

import structlog
from fastapi import Depends, Request
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from taperwise.api.core.database import Database
from taperwise.api.core.storage_failures import is_disk_full
from taperwise.api.installations import repository as installations
from taperwise.api.log import service
from taperwise.api.log.respond_async import RecommendationResult
from taperwise.api.observability.metrics import Metrics
from taperwise.api.observability.tracing import NO_SPANS, Spans
from taperwise.api.presentation.recorded_text import NO_SUGGESTION, getting_ready, in_line
from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.recommendations import repository
from taperwise.api.recommendations.countdown import Countdown
from taperwise.api.recommendations.factory import settle
from taperwise.api.recommendations.guard import safe_figures, safe_suggestion
from taperwise.api.recommendations.patience import USUAL_SECONDS
from taperwise.api.recommendations.recommender_protocol import RecommenderProtocol
from taperwise.api.recommendations.repository import as_document, suggestion_of
from taperwise.api.recommendations.turns import BeingMadeError, Turns
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.model import MODEL_VERSION
from taperwise.model.population.summary import Summary
from taperwise.shared.errors import (
    ConflictError,
    NotConvergedError,
    NotReadyError,
    TaperwiseError,
    UnsafeError,
)
from taperwise.shared.recommendation import Holding, Prediction, Suggestion
from taperwise.shared.runs import Run

__all__ = ["FAILURES", "AdviceDesk", "Made", "RecommendationService"]

_log = structlog.get_logger("taperwise")

FAILURES = (
    TaperwiseError, SQLAlchemyError, ArithmeticError, LookupError, MemoryError, OSError, RuntimeError, TypeError,
    ValueError,
)  # fmt: skip
"""What may go wrong in learning without an entry that is stored being called lost."""


@dataclass(frozen=True)
class Made:
    """An answer that was made, and what to keep with it."""

    log: service.Log
    suggestion: Suggestion
    earlier_fits: Mapping[str, bytes]
    needed: tuple[str, ...]


class RecommendationService:
    """Makes answers, one at a time: a fit uses both cores.

    Parameters
    ----------
    make : callable
        Makes the adviser; called once, at the first need, because it loads the sampler.
    seed : int
    figures : Figures, optional
        Where updates are counted.
    spans : Spans
    wait_seconds : float
        How long a request waits for its result; later it is made without the request [s].

    Attributes
    ----------
    countdown : Countdown
        How long getting ready still takes.
    patience : Patience
        How long requests wait.
    later : callable
        Has the answer of an installation made later, where a request is not kept waiting for it.
    """

    def __init__(
        self,
        make: Callable[[int], RecommenderProtocol],
        seed: int,
        figures: Metrics | None = None,
        spans: Spans = NO_SPANS,
        wait_seconds: float = USUAL_SECONDS,
    ) -> None:
        self._figures, self._spans = figures, spans
        self.seed = seed
        self.countdown = Countdown()
        self._make = make
        self._adviser: RecommenderProtocol | None = None
        self._failure = ""
        self._lock = threading.Lock()
        self._turns = Turns(wait_seconds)
        self.patience = self._turns.patience
        self.later: Callable[[int], bool] = lambda _: False
        self._last: Made | None = None
        self._preparing: threading.Thread | None = None

    @property
    def ready(self) -> bool:
        """Whether the sampler is compiled."""
        return self._adviser is not None and self._adviser.ready

    def going_on(self, installation_id: int) -> BeingMadeError | None:
        """What is before an installation's result while that is calculated, or is in the line."""
        return self._turns.going_on(installation_id)

    @property
    def failed(self) -> str:
        """What kept the sampler from being compiled; empty as long as nothing did."""
        return self._failure

    def prepare(self, progress: Callable[[str], None] = lambda _: None) -> None:
        """Load and compile the sampler; a second call does nothing."""

        def told(words: str) -> None:
            self.countdown.hear(words)
            progress(words)

        try:
            self._get().prepare(told)
            self._failure = ""
            settle()
        except BaseException as error:
            self._failure = type(error).__name__
            raise

    def prepare_beside(self, work: Callable[[], None] | None = None) -> None:
        """Begin to get ready in a thread, unless that goes on already.

        Parameters
        ----------
        work : callable, optional
            Gets ready; `prepare` if left out.
        """
        with self._lock:
            if self._preparing is None or not self._preparing.is_alive():
                self._preparing = threading.Thread(target=work or self._quietly, daemon=True, name="prepare")
                self._preparing.start()

    def _quietly(self) -> None:
        try:
            self.prepare()
        except FAILURES as error:
            _log.error("not_ready", error=type(error).__name__, exc_info=True)

    def _get(self) -> RecommenderProtocol:
        with self._lock:
            if self._adviser is None:
                self._adviser = self._make(self.seed)
            return self._adviser

    def _prepared(self) -> RecommenderProtocol:
        """The adviser with its sampler compiled; where it is not, compiling is begun.

        Raises
        ------
        NotReadyError
            If it is not ready yet.
        """
        adviser = self._get()
        if not adviser.ready:
            self.prepare_beside()
            raise NotReadyError(self.countdown.seconds_left())
        return adviser

    def answer(self, database: Database, installation_id: int) -> SuggestionOut:
        """The suggestion for the log as it is, made only if the stored one is of another log, seed or model version.

        Where the disk is full it is given all the same, and made again the next time.

        Raises
        ------
        NotFoundError
            If there is no such installation.
        NotReadyError
            If the sampler is still being compiled, or a request would wait too long.
        """
        kept = self.kept(database, installation_id)
        if kept is not None:
            return kept
        self._prepared()

        def made() -> Made | SuggestionOut:  # somebody else may have made it meanwhile
            return self.kept(database, installation_id) or self._made(database, installation_id)

        with database.reading() as session:
            log = service.load(session, installation_id)
        return self._in_turn("answer", log, made, lambda found: self._stored(database, found))

    def _stored(self, database: Database, found: Made | SuggestionOut) -> SuggestionOut:
        """An answer as it is sent out, stored where it was not."""
        if not isinstance(found, Made):
            return found
        number = found.log.installation_id
        try:
            with self._spans.span("storing", installation=number), database.unit() as session:
                installations.get(session, number, lock=True)  # two first answers must not both be inserted
                self.keep(session, found)
        except SQLAlchemyError as error:
            if not is_disk_full(error):
                raise
            _log.error("answer_not_kept", installation=number, error=type(error).__name__)
        return suggestion_out(found.suggestion, found.log.sent.units, found.log.findings)

    def _in_turn[A, T](
        self, what: str, log: service.Log, calculate: Callable[[], A], then: Callable[[A], T] | None = None
    ) -> T:
        """What is calculated in a turn at the sampler; whoever is not kept waiting has the answer made later."""
        content = self._prepared().earlier_keys(log.installation, log.entries, log.prior)[-1]
        try:
            return self._turns.result(log.installation_id, (what, log.state, content), calculate, then)
        except NotReadyError:
            self.later(log.installation_id)
            raise

    def make(self, database: Database, installation_id: int) -> Made:
        """An answer made for the log as it is; nothing is stored.

        Raises
        ------
        NotFoundError, NotReadyError
            As `answer`.
        """
        self._prepared()
        with self._turns.turn(installation_id):
            return self._made(database, installation_id)

    def _made(self, database: Database, installation_id: int) -> Made:
        adviser = self._prepared()
        with database.reading() as session:
            log = service.load(session, installation_id)
            if self._last is not None and self._last.log == log:
                return self._last  # made for somebody who is still storing it
            keys = adviser.earlier_keys(log.installation, log.entries, log.prior)
            earlier = repository.earlier_fits(session, installation_id, keys)
        with self._spans.span("learning", installation=installation_id, entries=len(log.entries)):
            learned = self._counted(lambda: adviser.learn(log.installation, log.entries, log.prior, earlier))
        suggestion = self._safe(lambda: safe_suggestion(adviser.suggest(learned), log), installation_id)
        self._last = Made(log, suggestion, learned.to_keep, keys)
        return self._last

    def keep(self, session: Session, made: Made) -> None:
        """Store an answer with the earlier fits that the next one needs; the installation is locked."""
        number, runs = made.log.installation_id, sum(isinstance(entry, Run) for entry in made.log.entries)
        document, findings = as_document(made.suggestion), len(made.log.findings)
        if not repository.standing_is_whole(session, number):
            service.refresh_stop(session, number)
        repository.put(session, number, made.log.state, self.seed, MODEL_VERSION, document, findings)
        repository.keep_earlier_fits(session, number, made.earlier_fits, made.needed, most=2 * runs + 10)

    def kept(self, database: Database, installation_id: int) -> SuggestionOut | None:
        """The suggestion for the log as it is where there is one already; nothing is learned for it.

        Raises
        ------
        NotFoundError
            If there is no such installation.
        """
        with database.reading() as session:
            log = service.load(session, installation_id)
            stored = repository.get(session, installation_id, log.state, self.seed, MODEL_VERSION)
        found = suggestion_of(stored)
        if found is None:
            return None
        try:
            self._safe(lambda: safe_suggestion(found, log), installation_id)
        except UnsafeError:
            return None  # made again from the log, and checked again
        return suggestion_out(found, log.sent.units, log.findings)

    def _safe[T](self, checked: Callable[[], T], installation_id: int) -> T:
        """What keeps the safety rules; what does not is told to whoever runs the service, by its number."""
        try:
            return checked()
        except UnsafeError as error:
            _log.error("result_held_back", installation=installation_id, rule=error.message)
            if self._figures is not None:
                self._figures.failure("unsafe")
            raise

    def answer_or_none(self, database: Database, installation_id: int) -> RecommendationResult:
        """As `answer`, but a failure to learn comes back as a warning: what was recorded is kept."""
        try:
            return RecommendationResult(self.answer(database, installation_id))
        except BeingMadeError as error:
            return RecommendationResult(None, [in_line(error.going_on, error.then)], error.seconds)
        except NotReadyError as error:
            return RecommendationResult(None, [getting_ready(error.seconds)], error.seconds)
        except FAILURES as error:
            _log.error("learning_failed", installation=installation_id, error=type(error).__name__, exc_info=True)
            return RecommendationResult(None, [NO_SUGGESTION])

    def _counted(self, learn: Callable[[], Any]) -> Any:
        if self._figures is None:
            return learn()
        with self._figures.update() as counted:
            learned = learn()
            counted(learned.posterior.diagnostics)
        return learned

    def posterior(self, log: service.Log) -> Any:
        """The posterior of a log, from memory where it was asked for a moment ago.

        Raises
        ------
        NotReadyError
            If the sampler is still being compiled.
        """
        adviser = self._prepared()

        def fitted() -> Any:
            with self._spans.span("fitting", installation=log.installation_id, entries=len(log.entries)):
                return adviser.fit(log.installation, log.entries, log.prior)

        return self._in_turn("fit", log, fitted)

    def look_back(self, log: service.Log, entries: int, kept: Mapping[str, bytes]) -> Any:
        """The fit of a log as it was after that many entries, from what is kept.

        Raises
        ------
        NotReadyError
            If the sampler is still being compiled.
        """
        with self._turns.turn():
            return self._prepared().look_back(log.installation, log.entries[:entries], log.prior, kept)

    def will_it_hold(self, log: service.Log, *, trusted: bool = True) -> Holding:
        """The present setting in other air; `trusted` refuses a posterior that did not converge.

        Raises
        ------
        NotConvergedError, NotReadyError
            If there is no posterior that can be trusted, or the sampler is still being compiled.
        """
        held = self._prepared().will_it_hold(self._trusted(log) if trusted else self.posterior(log))
        return self._safe(lambda: safe_figures(held), log.installation_id)

    def summarise(self, log: service.Log) -> Summary:
        """What an engine's runs say of the unknowns that engines share.

        Raises
        ------
        ConflictError
            If there are no runs.
        NotConvergedError, NotReadyError
            If there is no posterior that can be trusted, or the sampler is still being compiled.
        """
        if not any(isinstance(entry, Run) for entry in log.entries):
            raise ConflictError(
                "There is no run yet, so there is no summary to share", field="consent", cure="Record a run first."
            )
        posterior = self._trusted(log)
        adviser = self._prepared()
        return self._in_turn("summary", log, lambda: adviser.summarise(posterior))

    def _trusted(self, log: service.Log) -> Any:
        posterior = self.posterior(log)
        if not posterior.diagnostics.converged:
            raise NotConvergedError(
                "Your readings give no reliable result yet", cure="Make another run at this setting."
            )
        return posterior

    def what_if(self, log: service.Log, turns: float, needle: str | None, density: float | None) -> Prediction:
        """What another setting, or another density of the air (over the sea-level standard), should show.

        Raises
        ------
        StepLimitError, UnknownNeedleError
            If the setting may not be asked about.
        NotConvergedError, NotReadyError
            If there is no posterior that can be trusted, or the sampler is still being compiled.
        """
        told = self._prepared().what_if(self._trusted(log), turns, needle, density)
        return self._safe(lambda: safe_figures(told), log.installation_id)


async def _desk(request: Request) -> RecommendationService:
    desk: RecommendationService = request.app.state.desk
    return desk


AdviceDesk = Annotated[RecommendationService, Depends(_desk)]
"""The desk, as routes ask for it."""
