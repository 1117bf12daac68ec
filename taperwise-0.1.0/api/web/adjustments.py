"""Recording what was turned or changed, taking it back while nothing rests on it, and recording a cause."""

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db, number_in
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import latest, service
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.turns_text import SIZES, turns_in
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn, AdjustmentKinds
from taperwise.api.web.adjustment_forms import PARTS, document_of, missing, ways_of
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.newer_entries import NewerEntryError, refuse_newer, status_of
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError

__all__ = ["choices", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
_ACKNOWLEDGE = TypeAdapter(AcknowledgeIn)


@router.get("/adjust", **requires(Rule.SEES))
def blank(installation_id: InstallationId, database: Db) -> Response:
    """The form."""
    with database.reading() as session:
        return _form(service.load(session, installation_id), Typed({}), [])


@router.post("/adjust", **requires(Rule.SEES))
def record(installation_id: InstallationId, typed: Form, database: Db, once: OnceTyped) -> Response:
    """Record what was done as the JSON API would, or show what is wrong beside what was typed."""
    try:
        sent = _checked(typed)

        def deed(session: Any) -> Made:
            refuse_newer(session, installation_id, typed)
            return Made(service.record_adjustment(session, installation_id, sent)[1])

        made = once.do(deed)
    except (RefusedError, TaperwiseError) as error:
        with database.reading() as session:
            log = service.load(session, installation_id)
        again = isinstance(error, NewerEntryError)
        return _form(log, _as_form(typed), field_errors(error), status_of(error), again=again)
    if made.document:
        with database.reading() as session:
            log = service.load(session, installation_id)
        return page(
            "recorded.html", number=installation_id, name=name_of(log), here="/adjust", heading="Saved",
            warnings=made.document,
        )  # fmt: skip
    return RedirectResponse(f"/installations/{installation_id}", 303)


@router.post("/undo", **requires(Rule.SEES))
def undo(installation_id: InstallationId, typed: Form, once: OnceTyped) -> Response:
    """Void the last adjustment, as long as no later entry rests on it."""
    number = number_in(typed.raw.get("sequence")) or 0
    once.do(lambda session: Made(latest.undo_adjustment(session, installation_id, number)))
    return RedirectResponse(f"/installations/{installation_id}", 303)


@router.get("/acknowledge", **requires(Rule.SEES))
def cause(installation_id: InstallationId, database: Db) -> Response:
    """The form for a cause alone."""
    with database.reading() as session:
        return _cause(service.load(session, installation_id), Typed({}), [], 200)


@router.post("/acknowledge", **requires(Rule.SEES))
def acknowledge(installation_id: InstallationId, typed: Form, database: Db, once: OnceTyped) -> Response:
    """Record what was found, or show what is wrong beside it."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        sent = validate_document(_ACKNOWLEDGE, typed.document("cause", "about", "note", "time"))
        once.do(lambda session: Made(service.record_acknowledgement(session, installation_id, sent)[1]))
    except (RefusedError, TaperwiseError) as error:
        return _cause(log, typed, field_errors(error), 422)
    return RedirectResponse(f"/installations/{installation_id}", 303)


def _checked(typed: Typed) -> AdjustmentKinds:
    """The adjustment typed.

    Raises
    ------
    RefusedError
        Naming everything that is missing.
    """
    wrong = missing(typed)
    if wrong:
        raise RefusedError(wrong)
    return validate_document(_ADJUSTMENT, document_of(typed))


def _as_form(typed: Typed) -> Typed:
    """A turn that came signed, from the card's button, as the form's own fields."""
    kind = typed.get("kind")
    turns = turns_in(typed.get("turns_from_mark" if kind == "change_needle" else "turns"))
    if not kind or turns is None or typed.get(f"{kind}.way"):
        return typed
    return Typed({**typed.raw, f"{kind}.turns": number(abs(turns), ".10g"), f"{kind}.way": "-" if turns < 0 else "+"})


def choices(log: service.Log) -> dict[str, Any]:
    """What every form of an adjustment offers."""
    return {
        "needles": [n.label for n in log.sent.needles if not n.retired],
        "parts": PARTS,
        "sizes": SIZES,
        "ways": ways_of(log.sent.throttle_body),
    }


def _form(log: service.Log, typed: Typed, errors: list[Any], status: int = 200, *, again: bool = False) -> Response:
    return page(
        "adjust.html", status, number=log.installation_id, name=name_of(log), here="/adjust",
        heading="Record an adjustment", typed=typed, errors=errors, position=log.position(), again=again,
        seen=log.last, client_id=typed.get("client_id") or new_id(), **choices(log),
    )  # fmt: skip


def _cause(log: service.Log, typed: Typed, errors: list[Any], status: int) -> Response:
    return page(
        "acknowledge.html", status, number=log.installation_id, name=name_of(log), here="/acknowledge",
        heading="Record the cause", typed=typed, errors=errors, client_id=typed.get("client_id") or new_id(),
    )  # fmt: skip
