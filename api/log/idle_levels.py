"""Words the service explains."""

from fastapi import APIRouter

from taperwise.api.core.roles import Rule, requires
from taperwise.api.presentation.idle_text import IDLE_LEVELS
from taperwise.api.schemas.log import IdleLevelOut

__all__ = ["router"]

router = APIRouter(prefix="/api/v1", tags=["words"])


@router.get("/idle-levels", **requires(Rule.ANYONE), summary="The five idle judgements")
async def idle_levels() -> list[IdleLevelOut]:
    """What each level of the idle judgement looks, sounds and smells like, leanest first."""
    return [
        IdleLevelOut(level=int(q), key=q.name.lower(), name=w.name, looks=w.looks, sounds=w.sounds, smells=w.smells)
        for q, w in IDLE_LEVELS.items()
    ]
