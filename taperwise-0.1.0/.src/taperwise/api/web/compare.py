"""Two to four engines side by side: where they stand, their settings, their latest readings, what is believed."""

from datetime import UTC, datetime
from typing import Annotated, Any, NamedTuple

from fastapi import APIRouter, Query, Response

from taperwise.api.accounts.authorization import Asker
from taperwise.api.core.dependencies import Db, Number
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import service
from taperwise.api.presentation.comparison_text import beliefs, readings, set_up, settings, standing
from taperwise.api.recommendations import repository
from taperwise.api.recommendations.overview_routes import words_of
from taperwise.api.recommendations.service import AdviceDesk
from taperwise.api.recommendations.status_query import EngineStatus, overview
from taperwise.api.schemas.log import EntryOut
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import InvalidValueError, NotFoundError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_LEAST, _MOST = 2, 4


class Compared(NamedTuple):
    """One engine of a comparison; no answer while it is being calculated."""

    status: EngineStatus
    log: service.Log
    latest: EntryOut | None
    answer: SuggestionOut | None


@router.get("/desk/compare", **requires(Rule.SIGNED_IN))
def compare(
    database: Db, desk: AdviceDesk, asker: Asker, engine: Annotated[list[Number] | None, Query(max_length=100)] = None
) -> Response:
    """The chosen engines, one column each.

    Raises
    ------
    InvalidValueError
        If fewer than two or more than four were chosen.
    NotFoundError
        If the asker may not see one of them.
    """
    chosen = list(dict.fromkeys(engine or []))
    if not _LEAST <= len(chosen) <= _MOST:
        raise InvalidValueError(
            "compare two to four engines", field="engine", value=f"{len(chosen)} chosen",
            cure="Go back to the overview and tick two to four engines.",
        )  # fmt: skip
    found = []
    with database.reading() as session:
        known = {each.number: each for each in overview(session, asker, desk.seed, datetime.now(UTC))}
        for number in chosen:
            if number not in known:
                raise NotFoundError(
                    "no such installation", field="engine", value=number, cure="Choose engines on the overview."
                )
            log = service.load(session, number)
            runs = [each for each in service.entries_of(session, number) if each.kind == "run" and not each.voided]
            kept = repository.get(session, number, log.state, desk.seed, MODEL_VERSION)
            answer = repository.in_units(kept, log.sent.units, brief=True)
            found.append(Compared(known[number], log, runs[-1] if runs else None, answer))
    return page("compare.html", engines=found, groups=_groups(found))


def _groups(found: list[Compared]) -> dict[str, list[tuple[str, list[str]]]]:
    """Rows of each part of the table: the name of the row, and a cell for each engine."""
    parts: dict[str, list[list[tuple[str, str]]]] = {
        "Where they stand": [standing(each.status, [flag.words for flag in words_of(each.status)]) for each in found],
        "Settings": [settings(each.log.position()) for each in found],
        "Latest run": [readings(each.latest, each.log.sent.units) for each in found],
        "Beliefs": [beliefs(each.answer, stopped=each.status.severity == "stop") for each in found],
        "Set-up": [set_up(each.log.sent) for each in found],
    }
    return {heading: _rows(columns) for heading, columns in parts.items()}


def _rows(columns: list[list[tuple[str, Any]]]) -> list[tuple[str, list[str]]]:
    cells = [dict(column) for column in columns]
    names = dict.fromkeys(name for column in cells for name in column)
    return [(name, [column.get(name, "–") for column in cells]) for name in names]
