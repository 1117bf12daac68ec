"""The next step, on one card: what to turn, what to expect, how sure, why, and the cautions."""

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import latest, service
from taperwise.api.log.respond_async import RecommendationResult
from taperwise.api.notes import repository as notes
from taperwise.api.presentation import cautions, prediction_text
from taperwise.api.presentation.card_text import caution, needle_steps, recorded_words, to_do
from taperwise.api.presentation.formatting import fraction, screw, stop
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.schemas.log import EntryOut
from taperwise.api.schemas.recommendation import ActionOut, ConfidenceOut, SuggestionOut
from taperwise.api.web.background_calls import AtWork, BackgroundCalls
from taperwise.api.web.client_ids import new_id
from taperwise.api.web.drawings import key_turn
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import fragment, page
from taperwise.shared.runs import Run

__all__ = ["name_of", "path_of", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_STAGES = ("full_throttle", "idle_mixture", "idle_speed")


def name_of(log: service.Log) -> str:
    """An installation's name, or its number."""
    return log.sent.name or f"Engine {log.installation_id}"


@router.get("", **requires(Rule.SEES))
def show(installation_id: InstallationId, database: Db, desk: AdviceDesk, work: AtWork, asker: Asker) -> Response:
    """The card, or what is going on until it can be shown."""
    with database.reading() as session:
        log = service.load(session, installation_id)
        left = notes.list_notes(session, installation_id, asker)
        last = latest.last_entry(session, installation_id)
    return page("next_step.html", notes=left, **_context(log, last, database, desk, work))


@router.get("/card", **requires(Rule.SEES))
def card(installation_id: InstallationId, database: Db, desk: AdviceDesk, work: AtWork) -> Response:
    """The card alone, for a page that waits for it."""
    with database.reading() as session:
        log = service.load(session, installation_id)
        last = latest.last_entry(session, installation_id)
    return HTMLResponse(fragment("card.html", **_context(log, last, database, desk, work)))


def _context(
    log: service.Log, last: EntryOut | None, database: Database, desk: RecommendationService, work: BackgroundCalls
) -> dict[str, Any]:
    answered: RecommendationResult | None = work.answer(desk, database, log.installation_id)
    suggestion = None if answered is None else answered.suggestion
    recorded = last if last is not None and last.adjustment is not None and not last.voided else None
    notice = "" if recorded is None else recorded_words(recorded)
    shown = {} if suggestion is None else _told(suggestion, log) | {"do": to_do(suggestion.action.instruction, notice)}
    return {
        "number": log.installation_id,
        "name": name_of(log),
        "here": "",
        "heading": "Next step",
        "working": answered is None,
        "ready": desk.ready,
        "seconds_left": desk.countdown.seconds_left(),
        "going_on": desk.going_on(log.installation_id) if answered is None else None,
        "failed": desk.failed,
        "warnings": [] if answered is None else answered.warnings,
        "suggestion": suggestion,
        "position": log.position(),
        "runs": sum(isinstance(e, Run) for e in log.entries),
        "client_id": new_id(),
        "findings": log.findings,
        "finding_id": new_id(),
        "beyond_a_limit": cautions.for_stage("full_throttle", beyond_a_limit=True),
        "recorded": recorded,
        "recorded_words": notice,
        "undo_id": new_id(),
        "seen": log.last,
        **shown,
    }


def _told(suggestion: SuggestionOut, log: service.Log) -> dict[str, Any]:
    action = suggestion.action
    turn = fraction(action.turns_from_mark) if action.turns_from_mark else ""
    sense = (action.hex_direction or "").replace("_", "-")
    return {
        "path": path_of(suggestion.confidence),
        "caution": caution(action),
        "done": _done(action),
        "needle_steps": needle_steps(action, f"{turn} {sense}".strip()) if action.kind == "change_needle" else [],
        "expectations": []
        if suggestion.action.kind == "inspect"
        else prediction_text.lines(suggestion.expected, suggestion.stage, suggestion.action.kind),
        "drawing": _drawing(suggestion.action),
        "record": _record(suggestion.action),
        "fitted": suggestion.confidence.position.fitted_needle,
        "units": log.sent.units,
        "others": [a for a in suggestion.alternatives if not a.action.same_step(suggestion.action)],
    }


def path_of(confidence: ConfidenceOut) -> list[dict[str, Any]]:
    """The three stages with their chances, and where in them the tuning stands."""
    return [
        {
            "stage": stage,
            "chance": getattr(confidence, stage).chance_in_band,
            "confirmed": getattr(confidence, stage).confirmed,
            "observed": getattr(confidence, stage).observed,
            "current": confidence.stage == stage,
        }
        for stage in _STAGES
    ]


def _drawing(action: ActionOut) -> Any:
    turns = action.turns if action.turns is not None else action.turns_from_mark
    return key_turn(turns, action.hex_direction) if turns and action.hex_direction else None


def _done(action: ActionOut) -> str:
    """What was done, as the button says it."""
    if action.kind == "turn_screw" and action.turns is not None:
        return screw(action.turns)
    if action.kind == "turn_idle_stop" and action.turns is not None:
        return stop(action.turns)
    return f"needle {action.needle} installed" if action.needle else ""


def _record(action: ActionOut) -> dict[str, str] | None:
    """Fields of the form that records the action as it was suggested; None where there is nothing to record."""
    if action.kind in ("turn_screw", "turn_idle_stop") and action.turns is not None:
        return {"kind": action.kind, "turns": repr(action.turns)}
    if action.kind == "change_needle" and action.needle is not None:
        return {"kind": action.kind, "needle": action.needle, "turns_from_mark": repr(action.turns_from_mark or 0.0)}
    return None
