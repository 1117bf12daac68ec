"""Whether the service is alive, and whether it can answer."""

from fastapi import APIRouter
from pydantic import BaseModel
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from taperwise.api.core.dependencies import AdviceDesk, Db
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires

__all__ = ["router"]

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """State of the service."""

    status: str


@router.get("/healthz", **requires(Rule.ANYONE), summary="Alive")
async def healthz() -> Health:
    """Answers as soon as the service listens, however many runs are being answered."""
    return Health(status="alive")


@router.get("/readyz", **requires(Rule.ANYONE), responses=responses(503), summary="Ready")
def readyz(database: Db, desk: AdviceDesk) -> Health:
    """Answers once the sampler is compiled and the database can be read."""
    try:
        stored = database.answers()
    except SQLAlchemyError:
        stored = False
    if not stored:
        raise HTTPException(503, "The database does not answer.")
    if not desk.ready and desk.failed:
        raise HTTPException(
            503, f"The sampler could not be compiled ({desk.failed}, see the log); runs are recorded, not answered."
        )
    if not desk.ready:
        raise HTTPException(503, "The sampler is still being compiled; runs are recorded and answered after that.")
    return Health(status="ready")
