"""The desk where answers are made: it asks the model, remembers posteriors, and keeps the latest answer."""

import gc
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any, Protocol

import structlog
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from api.advice import storage
from api.advice.kept import in_units
from api.database import Database
from api.http.storage_failures import is_disk_full
from api.installations import storage as installations
from api.log import service
from api.observed.figures import Figures
from api.observed.spans import NO_SPANS, Spans
from api.wire.answers import SuggestionOut
from model import MODEL_VERSION
from model.learning.engine_prior import EnginePrior
from model.pool.summary import Summary
from shared.advice import Holding, Prediction, Suggestion
from shared.errors import ConflictError, EighthTurnError, NotConvergedError
from shared.records import Entry, Installation
from shared.runs import Run

__all__ = ["FAILURES", "Adviser", "Afterwards", "Answered", "Desk"]

_log = structlog.get_logger("eighth_turn")

FAILURES = (
    EighthTurnError, SQLAlchemyError, ArithmeticError, LookupError, MemoryError, OSError, RuntimeError, TypeError,
    ValueError,
)  # fmt: skip
"""What may go wrong in learning without an entry that is stored being called lost."""


class Adviser(Protocol):
    """What the desk needs of the model; `model.advisor.Advisor` is it."""

    seed: int

    @property
    def ready(self) -> bool:
        """Whether it can answer at once."""
        ...

    def prepare(self, progress: Callable[[str], None] = ...) -> None:
        """Get ready."""
        ...

    def learn(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None) -> Any:
        """Learn from a log, starting from a prior."""
        ...

    def learn_roughly(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> Any:
        """Learn from a log in about a second."""
        ...

    def learn_quickly(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> Any:
        """Learn from what was learned before the latest entries; None where that does not do."""
        ...

    def summarise(self, learned: Any) -> Summary:
        """What a log says of the unknowns that engines share."""
        ...

    def suggest(self, learned: Any) -> Suggestion:
        """Suggest the next step."""
        ...

    def will_it_hold(self, learned: Any) -> Holding:
        """Look at the present setting in other air."""
        ...

    def what_if(
        self, learned: Any, turns: float = 0.0, needle: str | None = None, density: float | None = None
    ) -> Prediction:
        """Predict another setting."""
        ...


class Afterwards(Protocol):
    """Who learns in full what was answered quickly; `api.jobs.worker.Worker` is it."""

    @property
    def working(self) -> bool:
        """Whether what is asked for will be made."""
        ...

    def ask(self, installation_id: int) -> bool:
        """Make this answer soon; whether it will be."""
        ...


@dataclass(frozen=True)
class Answered:
    """A suggestion, or none with the reason among the warnings."""

    suggestion: SuggestionOut | None
    warnings: list[str] = field(default_factory=list)

    def parts(self, *more: str) -> dict[str, Any]:
        """Confidence, suggestion and warnings, with more of these before its own, for what was recorded."""
        confidence = self.suggestion.confidence if self.suggestion else None
        return {"confidence": confidence, "suggestion": self.suggestion, "warnings": [*more, *self.warnings]}


class Desk:
    """Makes answers and remembers what they were made from.

    Parameters
    ----------
    make : callable
        Makes the adviser; called once, at the first need, because it loads the sampler.
    seed : int
    remembered : int
        Posteriors kept in memory.
    figures : Figures, optional
        Where updates are counted.
    spans : Spans

    Attributes
    ----------
    afterwards : Afterwards or None
        Nothing is answered quickly unless somebody learns it in full afterwards.
    """

    def __init__(
        self,
        make: Callable[[int], Adviser],
        seed: int,
        remembered: int,
        figures: Figures | None = None,
        spans: Spans = NO_SPANS,
    ) -> None:
        self._figures, self._spans = figures, spans
        self.seed = seed
        self._make = make
        self._adviser: Adviser | None = None
        self._failure = ""
        self._most = remembered
        self._memory: OrderedDict[service.LogKey, Any] = OrderedDict()
        self._going: dict[service.LogKey, Future[Any]] = {}
        self._quick: OrderedDict[service.LogKey, dict[str, Any]] = OrderedDict()
        self._lock = threading.Lock()
        self.afterwards: Afterwards | None = None

    @property
    def ready(self) -> bool:
        """Whether the sampler is compiled."""
        return self._adviser is not None and self._adviser.ready

    @property
    def failed(self) -> str:
        """What kept the sampler from being compiled; empty as long as nothing did."""
        return self._failure

    def prepare(self, progress: Callable[[str], None] = lambda _: None) -> None:
        """Load and compile the sampler; a second call does nothing."""
        try:
            self._get().prepare(progress)
            self._failure = ""
            _settle()
        except BaseException as error:
            self._failure = type(error).__name__
            raise

    def _get(self) -> Adviser:
        with self._lock:
            if self._adviser is None:
                self._adviser = self._make(self.seed)
            return self._adviser

    def learned(self, log: service.Log) -> Any:
        """What a log taught, from memory where it was asked for a while ago."""
        key = log.key
        with self._lock:
            if key in self._memory:
                self._memory.move_to_end(key)
                return self._memory[key]
            going = self._going.get(key)
            if going is None:
                mine = self._going[key] = Future()
        if going is not None:
            return going.result()  # somebody is learning the very same log
        try:
            with self._spans.span("learning", installation=log.installation_id, entries=len(log.entries)):
                adviser = self._get()
                mine.set_result(self._counted(lambda: adviser.learn(log.installation, log.entries, log.prior)))
        except BaseException as error:
            mine.set_exception(error)
            raise
        finally:
            with self._lock:
                del self._going[key]
                if mine.exception() is None:
                    self._memory[key] = mine.result()
                while len(self._memory) > self._most:
                    self._memory.popitem(last=False)
        return mine.result()

    def answer(self, database: Database, installation_id: int, *, fully: bool = False) -> SuggestionOut:
        """The suggestion for the log as it stands, made anew only if the log grew.

        Where the disk is full it is given all the same, and made anew the next time.

        Parameters
        ----------
        fully : bool
            Never a quick one, which rests on what was learned before the latest entries.

        Raises
        ------
        NotFoundError
            If there is no such installation.
        """
        with database.reading() as session:
            log = service.load(session, installation_id)
            kept = self._kept(session, log, fully=fully)
        if kept is None and not fully:
            kept = self._answered_quickly(log)
        if kept is not None:
            return kept
        suggestion = SuggestionOut.of(self._get().suggest(self.learned(log)), log.sent.units)
        document = suggestion.model_dump(mode="json")
        try:
            with self._spans.span("storing", installation=installation_id), database.unit() as session:
                installations.get(session, installation_id, lock=True)  # two first answers must not both be inserted
                storage.put(session, installation_id, log.state, self.seed, MODEL_VERSION, document)
        except SQLAlchemyError as error:
            if not is_disk_full(error):
                raise
            _log.error("answer_not_kept", installation=installation_id, error=type(error).__name__)
        return suggestion

    def _answered_quickly(self, log: service.Log) -> SuggestionOut | None:
        """An answer that is not stored, so that its log goes on waiting for the one learned in full."""
        if self.afterwards is None or not self.afterwards.working:
            return None
        with self._lock:
            if log.key in self._memory:
                return None  # learned in full already: nothing is quicker
        adviser = self._get()
        with self._spans.span("learning quickly", installation=log.installation_id, entries=len(log.entries)):
            learned = self._counted(lambda: adviser.learn_quickly(log.installation, log.entries, log.prior))
        if learned is None:
            return None
        suggestion = SuggestionOut.of(adviser.suggest(learned), log.sent.units)
        if not self.afterwards.ask(log.installation_id):  # not before: learning in full needs both cores
            return None
        with self._lock:
            self._quick[log.key] = suggestion.model_dump(mode="json")
            while len(self._quick) > self._most:
                self._quick.popitem(last=False)
        return suggestion

    def kept(self, database: Database, installation_id: int, *, fully: bool = False) -> SuggestionOut | None:
        """The suggestion for the log as it stands where there is one already; nothing is learned for it.

        Parameters
        ----------
        fully : bool
            As for `answer`.

        Raises
        ------
        NotFoundError
            If there is no such installation.
        """
        with database.reading() as session:
            return self._kept(session, service.load(session, installation_id), fully=fully)

    def _kept(self, session: Session, log: service.Log, *, fully: bool = False) -> SuggestionOut | None:
        kept = storage.get(session, log.installation_id, log.state, self.seed, MODEL_VERSION)
        if kept is None and not fully:
            with self._lock:
                kept = self._quick.get(log.key)
        return in_units(kept, log.sent.units)

    def answer_or_none(self, database: Database, installation_id: int, *, fully: bool = False) -> Answered:
        """As `answer`, but a failure to learn comes back as a warning: what was recorded is kept."""
        try:
            return Answered(self.answer(database, installation_id, fully=fully))
        except FAILURES as error:
            _log.error("learning_failed", installation=installation_id, error=type(error).__name__, exc_info=True)
            return Answered(
                None,
                ["It is recorded, but no suggestion could be made from it. Ask for the suggestion again; until there "
                 "is one, change nothing."],
            )  # fmt: skip

    def learn_roughly(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> Any:
        """What any log would teach, in about a second; nothing is kept of it."""
        adviser = self._get()
        return self._counted(lambda: adviser.learn_roughly(installation, entries, prior))

    def _counted(self, learn: Callable[[], Any]) -> Any:
        if self._figures is None:
            return learn()
        with self._figures.update() as counted:
            learned = learn()
            counted(None if learned is None else learned.posterior.diagnostics)
        return learned

    def will_it_hold(self, log: service.Log, *, trusted: bool = True) -> Holding:
        """The present setting in other air; `trusted` refuses a posterior that did not converge.

        Raises
        ------
        NotConvergedError
            If there is no posterior that can be trusted.
        """
        return self._get().will_it_hold(self._trusted(log) if trusted else self.learned(log))

    def summarise(self, log: service.Log) -> Summary:
        """What an engine's runs say of the unknowns that engines share.

        Raises
        ------
        ConflictError
            If there are no runs.
        NotConvergedError
            If there is no posterior that can be trusted.
        """
        if not any(isinstance(entry, Run) for entry in log.entries):
            raise ConflictError(
                "nothing was run yet, so there is nothing to leave", field="consent", cure="Record a run first."
            )
        return self._get().summarise(self._trusted(log))

    def _trusted(self, log: service.Log) -> Any:
        learned = self.learned(log)
        if not learned.posterior.diagnostics.converged:
            raise NotConvergedError(
                "the readings so far give no posterior that can be trusted", cure="Make another run at this setting."
            )
        return learned

    def what_if(self, log: service.Log, turns: float, needle: str | None, density: float | None) -> Prediction:
        """What another setting, or another density of the air (over the sea-level standard), should show.

        Raises
        ------
        StepLimitError, UnknownNeedleError
            If the setting may not be asked about.
        NotConvergedError
            If there is no posterior that can be trusted.
        """
        return self._get().what_if(self._trusted(log), turns, needle, density)


_settled = threading.Event()


def _settle() -> None:
    """Once a process, leave what lasts as long as it out of the collections to come: looking through all that the
    sampler brought along kept whoever asked meanwhile waiting for a fifth of a second (`bench many`).
    """
    if not _settled.is_set():
        _settled.set()
        gc.collect()
        gc.freeze()
