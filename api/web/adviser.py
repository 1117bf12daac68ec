"""The adviser's desk: all installations, what needs attention first; and notes."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.database import Database, Installation
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.installations import repository as installations
from taperwise.api.log import service
from taperwise.api.notes import repository as notes
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.recommendations.status_query import InstallationStatus, overview
from taperwise.api.schemas.log import NoteIn
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.web.background_calls import AtWork, BackgroundCalls
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form
from taperwise.api.web.next_step import name_of
from taperwise.api.web.pagination import Leafed
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError

__all__ = ["Row", "attention", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_NOTE = TypeAdapter(NoteIn)
_LONG = timedelta(days=7)
_CAUSES = {
    "limit_exceeded": "limit exceeded",
    "not_as_foretold": "possible fault",
    "no_needle_fits": "stuck: no suitable needle",
    "not_to_be_settled": "stuck: more runs would not help",
    "static_speed_out": "full-throttle speed out of target",
}
_DOUBTFUL = 0.2  # chance that not all is as recorded from which it is worth a look, though no alarm yet


@dataclass(frozen=True)
class Row:
    """One installation on the desk.

    Parameters
    ----------
    kept : SuggestionOut or None
        The latest answer; None while it is being made.
    attention : tuple of str
        What needs looking at, the most serious first.
    """

    number: int
    name: str
    kept: SuggestionOut | None
    last_run: datetime | None
    notes: int
    attention: tuple[str, ...]


def attention(kept: SuggestionOut | None, last: datetime | None, now: datetime) -> tuple[str, ...]:
    """What needs looking at.

    Parameters
    ----------
    last : datetime or None
        Of the latest entry.
    """
    found = []
    if kept is not None:
        if kept.action.cause is not None:
            found.append(_CAUSES[kept.action.cause])
        elif kept.confidence.doubt >= _DOUBTFUL:
            found.append(f"possible fault ({kept.confidence.doubt:.0%})")
        if not kept.provenance.diagnostics.converged:
            found.append("readings that contradict each other")
    tuned = kept is not None and kept.stage == "tuned"
    if last is None:
        found.append("no entry yet")
    elif now - last > _LONG and not tuned:
        found.append(f"waiting for {(now - last).days} days")
    return tuple(found)


@router.get("/desk", **requires(Rule.SIGNED_IN))
def desk_page(database: Db, desk: AdviceDesk, work: AtWork, asker: Asker, leaf: Leafed) -> Response:
    """Installations, a leaf of them at a time, those of it that need attention first. Missing answers are begun."""
    with database.reading() as session:
        total, rows = installations.page(session, *leaf.bounds, asker.visible(), leaf.name)
        standing = overview(session, rows, desk.seed)
    shown = [_row(row, standing[row.id], database, desk, work) for row in rows]
    shown.sort(key=lambda row: (not row.attention, row.kept is not None and row.kept.stage == "tuned"))
    return page("desk.html", rows=shown, total=total, leaf=leaf, around=leaf.around(total))


def _row(
    row: Installation, at: InstallationStatus, database: Database, desk: RecommendationService, work: BackgroundCalls
) -> Row:
    kept = at.kept
    if kept is None and desk.ready and at.last_entry is not None:
        answered = work.answer(desk, database, row.id, patience=0.0)
        kept = None if answered is None else answered.suggestion
    return Row(
        number=row.id,
        name=row.document.get("name") or f"Installation {row.id}",
        kept=kept,
        last_run=at.last_run,
        notes=at.notes,
        attention=attention(kept, at.last_entry, datetime.now(UTC)),
    )


@router.post("/installations/{installation_id}/notes", **requires(Rule.SEES))
def leave(installation_id: InstallationId, typed: Form, database: Db, once: OnceTyped) -> Response:
    """Leave a note, which is shown on the card of the next step; or show what is wrong beside it."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        sent = validate_document(_NOTE, typed.document("text", "author"))
        once.do(lambda session: Made(notes.add(session, installation_id, sent, datetime.now(UTC))))
    except (RefusedError, TaperwiseError) as error:
        return page(
            "note.html", 422, number=installation_id, name=name_of(log), here="/notes", heading="A note",
            typed=typed, errors=field_errors(error), client_id=typed.get("client_id") or new_id(),
        )  # fmt: skip
    return RedirectResponse(f"/installations/{installation_id}#notes", 303)
