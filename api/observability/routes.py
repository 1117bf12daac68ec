"""What watches the service asks: whether it is alive, whether it can answer, and its figures for Prometheus."""

from typing import Protocol

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST
from pydantic import BaseModel, Field
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from taperwise.api.core import compile_cache
from taperwise.api.core.database_file import CURE, ReplacedFileError
from taperwise.api.core.dependencies import Db
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.observability.metrics import Metrics

__all__ = ["router"]

router = APIRouter(tags=["health"])

_NOT_KEPT = "The cache folder cannot be written to, so the model is compiled again at every start."


class _Desk(Protocol):
    """What is asked of the desk where answers are made."""

    @property
    def ready(self) -> bool:
        """Whether the sampler is compiled."""
        ...

    @property
    def failed(self) -> str:
        """What kept the sampler from being compiled; empty as long as nothing did."""
        ...


class Health(BaseModel):
    """State of the service."""

    status: str = Field(description="State in one word.")
    warnings: list[str] = Field(default_factory=list, description="Notes for the operator; the log has more.")


@router.get("/healthz", **requires(Rule.ANYONE), response_model_exclude_unset=True, summary="Alive")
async def healthz() -> Health:
    """Answers as soon as the service listens."""
    return Health(status="alive")


@router.get(
    "/readyz", **requires(Rule.ANYONE), response_model_exclude_unset=True, responses=responses(503), summary="Ready"
)
def readyz(database: Db, request: Request) -> Health:
    """Answers once the model is ready and the database can be read."""
    desk: _Desk = request.app.state.desk
    try:
        stored = database.answers()
    except ReplacedFileError:
        raise HTTPException(503, CURE) from None
    except SQLAlchemyError:
        stored = False
    if not stored:
        raise HTTPException(503, "The database does not answer.")
    if not desk.ready and desk.failed:
        raise HTTPException(
            503,
            f"The model could not be made ready ({desk.failed}, see the log of the service). Runs are saved without a "
            "next step.",
        )
    if not desk.ready:
        raise HTTPException(503, "The model is getting ready. Runs are saved, and the next step follows.")
    return Health(status="ready", warnings=[_NOT_KEPT]) if compile_cache.notice() else Health(status="ready")


@router.get(
    "/metrics",
    **requires(Rule.ADMINISTERS),
    response_class=Response,
    responses={200: {"content": {"text/plain": {}}}},
    summary="Figures for Prometheus",
)
def metrics(request: Request) -> Response:
    """Returns counts of requests, updates, pending results and failures."""
    figures: Metrics = request.app.state.figures
    return Response(figures.told(), headers={"Content-Type": CONTENT_TYPE_LATEST})
