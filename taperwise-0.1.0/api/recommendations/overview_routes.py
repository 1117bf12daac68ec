"""The overview as one call of the API: every installation with its stage, its chances and its flags."""

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Literal, get_args

from fastapi import APIRouter, Query

from taperwise.api.accounts.authorization import Asker
from taperwise.api.core.dependencies import Count, ReadingUnit
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.presentation.overview_text import flag_words
from taperwise.api.recommendations.service import AdviceDesk
from taperwise.api.recommendations.status_query import SORTS, EngineStatus, Severity, overview
from taperwise.api.schemas.installation import Sought
from taperwise.api.schemas.overview import FlagOut, OverviewEngine, OverviewPage

__all__ = ["Sort", "counted", "router", "words_of"]

router = APIRouter(prefix="/api/v1", tags=["advice"])

Sort = Literal[
    "severity", "name", "owner", "stage", "chance", "lean", "last_run", "idle", "finish", "number",
    "-severity", "-name", "-owner", "-stage", "-chance", "-lean", "-last_run", "-idle", "-finish", "-number",
]  # fmt: skip
"""What a list may be sorted by; a minus turns the order round."""

assert {each.removeprefix("-") for each in get_args(Sort)} == set(SORTS)  # noqa: S101 - they name the same orders


def words_of(engine: EngineStatus) -> list[FlagOut]:
    """The flags of an installation with their words."""
    return [
        FlagOut(
            code=flag.value,
            words=flag_words(
                flag.value, lean_chance=engine.lean_chance, doubt=engine.doubt, idle_days=engine.idle_days
            ),
        )
        for flag in engine.flags
    ]


def counted(engines: Sequence[EngineStatus]) -> dict[str, int]:
    """How many there are of each severity, the most serious first."""
    found = Counter(engine.severity for engine in engines)
    return {each.value: found[each] for each in Severity}


@router.get(
    "/overview", **requires(Rule.SIGNED_IN), responses=responses(422, 503), summary="All installations at a glance"
)
def overview_page(
    unit: ReadingUnit,
    asker: Asker,
    desk: AdviceDesk,
    limit: Annotated[Count, Query(ge=1, le=1000, description="Installations on one page.")] = 200,
    cursor: Annotated[Count, Query(le=2**31, description="`next` of the page before.")] = 0,
    name: Annotated[Sought, Query(description="Part of the name, or the number.")] = "",
    owner: Annotated[Sought, Query(description="Part of the owner's name.")] = "",
    severity: Annotated[Severity | None, Query(description="Severity to show alone. Null: all.")] = None,
    sort: Annotated[Sort, Query(description="The order; a minus turns it round.")] = "severity",
) -> OverviewPage:
    """Stage, chances and flags of all installations that you can see. Nothing is calculated for it."""
    engines = overview(unit, asker, desk.seed, datetime.now(UTC), name=name, owner=owner, sort=sort)
    shown = [each for each in engines if severity in (None, each.severity)]
    return OverviewPage(
        total=len(shown),
        counts=counted(engines),
        engines=[_outward(each) for each in shown[cursor : cursor + limit]],
        next=str(cursor + limit) if cursor + limit < len(shown) else None,
    )


def _outward(engine: EngineStatus) -> OverviewEngine:
    figures = {name: getattr(engine, name) for name in OverviewEngine.model_fields if name not in ("id", "flags")}
    return OverviewEngine(id=engine.number, flags=words_of(engine), **figures)
