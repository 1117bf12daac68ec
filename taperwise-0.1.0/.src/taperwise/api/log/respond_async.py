"""An answer to what was recorded: now, or later where the sender would rather not wait for it (RFC 7240).

Who makes answers stands above the log; the application hands them in.
"""

from dataclasses import dataclass, field
from typing import Annotated, Any, Protocol

from fastapi import Depends, Header, Request, Response

from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.presentation.recorded_text import ANSWER_BEING_MADE, ANSWER_WHEN_ASKED
from taperwise.api.schemas.recommendation import SuggestionOut

__all__ = ["AnswerMode", "Answering", "RecommendationResult"]


@dataclass(frozen=True)
class RecommendationResult:
    """A suggestion, or none with the reason among the warnings.

    `retry_after` is when to ask again, where that is known [s].
    """

    suggestion: SuggestionOut | None
    warnings: list[str] = field(default_factory=list)
    retry_after: int | None = None

    def parts(self, *more: str) -> dict[str, Any]:
        """Confidence, suggestion and warnings, with more of these before its own, for what was recorded."""
        confidence = self.suggestion.confidence if self.suggestion else None
        return {"confidence": confidence, "suggestion": self.suggestion, "warnings": [*more, *self.warnings]}


class _Desk(Protocol):
    """What is asked of the desk where answers are made."""

    def answer_or_none(self, database: Database, installation_id: int) -> RecommendationResult:
        """The suggestion, or none with a warning."""
        ...


class _Worker(Protocol):
    """What is asked of the worker that makes answers later."""

    def ask(self, installation_id: int) -> bool:
        """Make this answer soon; False if it will not be."""
        ...


@dataclass(frozen=True)
class AnswerMode:
    """Makes the answer to what was just recorded, or leaves it to the worker."""

    database: Database
    desk: _Desk
    worker: _Worker
    response: Response
    later: bool

    def answer(self, installation_id: int) -> RecommendationResult:
        """The answer, or none with a warning that says where it will be, and when to ask where that is known."""
        if not self.later:
            answered = self.desk.answer_or_none(self.database, installation_id)
            if answered.retry_after is not None:
                self.response.headers["Retry-After"] = str(answered.retry_after)
            return answered
        if not self.worker.ask(installation_id):
            return RecommendationResult(None, [ANSWER_WHEN_ASKED])
        return RecommendationResult(None, [ANSWER_BEING_MADE])


async def _answering(
    request: Request,
    response: Response,
    database: Db,
    prefer: Annotated[
        str | None,
        Header(
            max_length=200,
            description="`respond-async`: save the entry, and calculate the result afterwards. Null: wait.",
        ),
    ] = None,
) -> AnswerMode:
    asked = [part.partition(";")[0].strip().lower() for part in (prefer or "").split(",")]
    later = "respond-async" in asked
    if later:
        response.headers["Preference-Applied"] = "respond-async"
    state = request.app.state
    return AnswerMode(database, state.desk, state.worker, response, later)


Answering = Annotated[AnswerMode, Depends(_answering)]
