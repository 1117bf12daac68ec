"""Editing a set-up: the form filled with what holds, and what was changed in it as an edit of the log."""

import re
from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.log import service, set_up
from taperwise.api.ownership.erasure import delete_empty
from taperwise.api.presentation.card_text import MISSING
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.set_up_text import NAMES
from taperwise.api.presentation.turns_text import turns_in
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.set_up import SetUpEdit
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed, flat, row_of
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_EDIT = TypeAdapter(SetUpEdit)
_MORE_ROWS, _MOST_ROWS = 2, 24
_GROUPS = {
    "throttle_body": (
        "bore", "slide_stroke", "idle_opening", "screw_pitch", "idle_stop_pitch", "lean_direction", "faster_direction",
        "orifice_diameter", "needle_diameter", "mark_to_orifice",
    ),
    "engine": ("displacement", "cylinders", "egt_probes", "rated_rpm"),
    "targets": ("rise", "idle_rpm", "idle_rise", "static_rpm"),
    "watch": ("cht", "egt", "rpm"),
}  # fmt: skip
_SINGLE = ("name", "elevation", "coldest_temperature", "needle_step", "fuel")
_LIMITS = ("quantum_turns", "largest_turns", "lean_chance", "confirm_chance")
_DEFAULTS = InstallationIn.model_validate({"needles": [{"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}]})


@router.get("/set-up", **requires(Rule.SEES))
def blank(installation_id: InstallationId, database: Db) -> Response:
    """The set-up as it holds."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    return _form(log, Typed(_fields(log.sent)), [])


@router.post("/set-up", **requires(Rule.SEES))
def change(installation_id: InstallationId, typed: Form, database: Db, once: OnceTyped) -> Response:
    """Save what was changed as an entry, or show what is wrong beside what was typed."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        sent = _edit(typed, log)
        once.do(lambda session: Made(set_up.edit(session, installation_id, sent)))
    except (RefusedError, TaperwiseError) as error:
        return _form(log, typed, _at_rows(field_errors(error), typed, log), 422)
    return RedirectResponse(f"/installations/{installation_id}/{'history' if log.last else 'set-up'}", 303)


@router.post("/delete", **requires(Rule.OWNS))
def delete(installation_id: InstallationId, database: Db) -> Response:
    """Delete an engine for which nothing is recorded."""
    with database.unit() as session:
        delete_empty(session, installation_id)
    return RedirectResponse("/installations", 303)


def _edit(typed: Typed, log: service.Log) -> SetUpEdit:
    """The edit a form stands for.

    Raises
    ------
    RefusedError
        If it is not said since when, or a field cannot be read.
    """
    meaning = typed.get("meaning")
    if log.last and not meaning:
        message, cure = MISSING["meaning"]
        raise RefusedError([FieldError(field="meaning", value="", message=message, cure=cure)])
    return validate_document(
        _EDIT,
        {"meaning": meaning or "correction", "set_up": _patch(typed), "note": typed.get("note")},
    )


def _patch(typed: Typed) -> dict[str, Any]:
    """Every field of the form: what is blank goes back to its default, or to not set."""
    given = typed.document(*_SINGLE, "needles", "limits", *_GROUPS)
    patch: dict[str, Any] = {name: given.get(name) for name in _SINGLE}
    for group, names in _GROUPS.items():
        patch[group] = {name: given.get(group, {}).get(name) for name in names}
    patch["limits"] = {name: _limit(typed.get(f"limits.{name}")) for name in _LIMITS}
    patch["needles"] = [
        {**needle, "retired": bool(needle.get("retired"))} for needle in given.get("needles", []) if needle
    ]
    return patch


def _limit(text: str) -> float | str | None:
    """A limit: a turn or a chance."""
    return (turns_in(text) if turns_in(text) is not None else text) if text else None


def _rows_typed(typed: Typed) -> list[int]:
    found = {row_of(name.split(".")[1]) for name in typed.raw if re.fullmatch(r"needles\.\d+\..+", name)}
    return sorted(i for i in found if i is not None and i < _MOST_ROWS)


def _kept_rows(typed: Typed) -> list[int]:
    """Rows that stand for a needle: those of which anything was typed."""
    return [
        i for i in _rows_typed(typed) if typed.get(f"needles.{i}.label") or typed.get(f"needles.{i}.taper_slope.value")
    ]


def _at_rows(errors: list[FieldError], typed: Typed, log: service.Log) -> list[FieldError]:
    """Errors of needles at the rows of the form, whether the service named them by number or by label."""
    kept = _kept_rows(typed)
    by_label = {typed.get(f"needles.{i}.label"): i for i in kept}
    found = []
    for e in errors:
        parts = e.field.split(".")
        if parts[0] == "needles" and len(parts) > 1:
            number = row_of(parts[1])
            at = kept[number] if number is not None and number < len(kept) else None
            label = ".".join(parts[1:-1])
            row = by_label.get(label, at)
            if row is not None:
                e = e.model_copy(update={"field": ".".join(["needles", str(row), *parts[-1:]])})
        found.append(e)
    return found


def _fields(sent: InstallationIn) -> dict[str, str]:
    """The form's fields for a set-up as it holds."""
    document = sent.model_dump(mode="json", exclude_none=True)
    found: dict[str, str] = {}
    for name in (*_SINGLE, "limits", *_GROUPS):
        if name in document:
            found |= flat(name, document[name])
    for i, needle in enumerate(document["needles"]):
        found |= flat(f"needles.{i}", {**needle, "retired": "1" if needle["retired"] else ""})
    return found


def _form(log: service.Log, typed: Typed, errors: list[Any], status: int = 200) -> Response:
    known = len(log.sent.needles)
    limits = [(name, NAMES[f"limits.{name}"], number(getattr(_DEFAULTS.limits, name), "g")) for name in _LIMITS]
    return page(
        "set_up_edit.html", status, number=log.installation_id, name=name_of(log), here="/set-up", heading="Set-up",
        typed=typed, errors=errors, rows=min(max(known + _MORE_ROWS, *(i + 1 for i in _rows_typed(typed))), _MOST_ROWS),
        by_order=log.installation.by_order, known=known,
        defaults=_DEFAULTS, units=log.sent.units, limits=limits, last=log.last,
        client_id=typed.get("client_id") or new_id(),
    )  # fmt: skip
