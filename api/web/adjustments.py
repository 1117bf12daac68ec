"""Recording what was turned or changed, and what was found out."""

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import service
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn, AdjustmentKinds
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError

__all__ = ["PARTS", "document_of", "fields_of", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
_ACKNOWLEDGE = TypeAdapter(AcknowledgeIn)

PARTS = (
    ("fuel", "fuel"), ("intake", "intake"), ("air_filter", "air filter"), ("propeller", "propeller"),
    ("exhaust", "exhaust"),
)  # fmt: skip
"""Parts whose change starts the tuning again, in words."""

_FIELDS = {
    "turn_screw": ("kind", "turns", "note", "time"),
    "turn_idle_stop": ("kind", "turns", "note", "time"),
    "change_needle": ("kind", "needle", "turns_from_mark", "note", "time"),
    "change_part": ("kind", "part", "fuel", "note", "time"),
}


@router.get("/adjust", **requires(Rule.SEES))
def blank(installation_id: InstallationId, database: Db) -> Response:
    """The form."""
    with database.reading() as session:
        return _form(service.load(session, installation_id), Typed({}), [])


@router.post("/adjust", **requires(Rule.SEES))
def record(installation_id: InstallationId, typed: Form, database: Db, once: OnceTyped) -> Response:
    """Record what was done as the JSON API would, or show what is wrong beside what was typed."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        sent = validate_document(_ADJUSTMENT, document_of(typed))
        made = once.do(lambda session: Made(service.record_adjustment(session, installation_id, sent)[1]))
    except (RefusedError, TaperwiseError) as error:
        return _form(log, typed, field_errors(error), 422)
    if made.document:
        return page(
            "recorded.html", number=installation_id, name=name_of(log), here="/adjust", heading="Saved",
            warnings=made.document,
        )  # fmt: skip
    return RedirectResponse(f"/installations/{installation_id}", 303)


@router.post("/acknowledge", **requires(Rule.SEES))
def acknowledge(installation_id: InstallationId, typed: Form, database: Db, once: OnceTyped) -> Response:
    """Record what was found, or show what is wrong beside it."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        sent = validate_document(_ACKNOWLEDGE, typed.document("cause", "about", "note", "time"))
        once.do(lambda session: Made(service.record_acknowledgement(session, installation_id, sent)[1]))
    except (RefusedError, TaperwiseError) as error:
        return page(
            "acknowledge.html", 422, number=installation_id, name=name_of(log), here="/acknowledge",
            heading="Record the cause", typed=typed, errors=field_errors(error),
            client_id=typed.get("client_id") or new_id(),
        )  # fmt: skip
    return RedirectResponse(f"/installations/{installation_id}", 303)


def document_of(typed: Typed) -> dict[str, Any]:
    """The adjustment a form stands for: the kind chosen, and the fields that belong to it.

    A turn is given as a size and a way (`way` is ``+`` or ``-``), or signed in `turns` itself.
    """
    kind = typed.get("kind")
    document = typed.document(*_FIELDS.get(kind, ("kind",)))
    if document.get("fuel") and document.get("part") != "fuel":
        del document["fuel"]
    way = typed.get(f"{kind}.way")
    size = Typed({"turns": typed.get(f"{kind}.turns")}).document("turns").get("turns")
    name = "turns_from_mark" if kind == "change_needle" else "turns"
    if kind in _FIELDS and kind != "change_part" and size is not None:
        signed = isinstance(size, int | float) and way == "-"
        document[name] = -size if signed else size
    return document


def _form(log: service.Log, typed: Typed, errors: list[Any], status: int = 200) -> Response:
    return page(
        "adjust.html",
        status,
        number=log.installation_id,
        name=name_of(log),
        here="/adjust",
        heading="Record an adjustment",
        typed=typed,
        errors=errors,
        position=log.position(),
        needles=[n.label for n in log.sent.needles],
        parts=PARTS,
        client_id=typed.get("client_id") or new_id(),
    )


def fields_of(adjustment: AdjustmentKinds) -> dict[str, str]:
    """The form's fields for an adjustment: the other way round from `document_of`."""
    document: dict[str, Any] = adjustment.model_dump(mode="json", exclude_none=True)
    kind = document["kind"]
    found: dict[str, str] = {
        name: str(document[name]) for name in ("kind", "needle", "part", "fuel", "note") if name in document
    }
    turns = document.get("turns", document.get("turns_from_mark"))
    if turns is not None:
        found |= {f"{kind}.turns": f"{abs(turns):.10g}", f"{kind}.way": "-" if turns < 0 else "+"}
    return found
