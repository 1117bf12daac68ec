"""An answer now, or later where the sender would rather not wait for it (RFC 7240)."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Header, Request, Response

from taperwise.api.background.worker import Worker
from taperwise.api.core.dependencies import AdviceDesk, Db
from taperwise.api.recommendations.service import RecommendationResult

__all__ = ["AnswerMode", "Answering"]


@dataclass(frozen=True)
class AnswerMode:
    """Makes the answer to what was just recorded, or leaves it to the worker."""

    database: Db
    desk: AdviceDesk
    worker: Worker
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
            return RecommendationResult(None, ["It is recorded; its answer is made when the suggestion is asked for."])
        return RecommendationResult(
            None, ["It is recorded, and its answer is being made. Ask for the suggestion in a moment."]
        )


def _answering(
    request: Request,
    response: Response,
    database: Db,
    desk: AdviceDesk,
    prefer: Annotated[
        str | None, Header(max_length=200, description="`respond-async`: record it, and make the answer afterwards.")
    ] = None,
) -> AnswerMode:
    asked = [part.partition(";")[0].strip().lower() for part in (prefer or "").split(",")]
    later = "respond-async" in asked
    if later:
        response.headers["Preference-Applied"] = "respond-async"
    return AnswerMode(database, desk, request.app.state.worker, response, later)


Answering = Annotated[AnswerMode, Depends(_answering)]
