"""The list of installations, and setting one up."""

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import Asker
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.installations import service
from taperwise.api.installations.routes import made as as_made
from taperwise.api.ownership.transfer import offers_to
from taperwise.api.recommendations.overview_routes import words_of
from taperwise.api.recommendations.service import AdviceDesk
from taperwise.api.recommendations.status_query import overview
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.units import PRESETS
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed, no_field, row_of
from taperwise.api.web.pagination import Leafed
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_INSTALLATION = TypeAdapter(InstallationIn)
_ROWS = 3
_MOST_ROWS = 24
_LABELS = "ABCDEFGHIJKLMNOPQRSTUVWX"


@router.get("/", **requires(Rule.SIGNED_IN))
def home() -> Response:
    """The list is the home page."""
    return RedirectResponse("/installations", 303)


@router.get("/installations", **requires(Rule.SIGNED_IN))
def listing(database: Db, desk: AdviceDesk, asker: Asker, leaf: Leafed) -> Response:
    """All installations, those in danger first and then the newest; nothing is calculated for the list."""
    with database.reading() as session:
        found = overview(session, asker, desk.seed, datetime.now(UTC), name=leaf.name, sort="-number")
        offers = [] if asker.person_id is None else offers_to(session, asker.person_id)
    limit, first = leaf.bounds
    rows = [(each, words_of(each)) for each in found[first : first + limit]]
    return page(
        "installations.html", rows=rows, total=len(found), client_id=new_id(), leaf=leaf,
        around=leaf.around(len(found)), offers=offers,
    )  # fmt: skip


@router.get("/installations/new", **requires(Rule.SETS_UP))
def blank() -> Response:
    """An empty form with every default in its place."""
    return _form(Typed({}), [], _ROWS)


@router.post("/installations/new", **requires(Rule.SETS_UP))
def create(typed: Form, asker: Asker, once: OnceTyped) -> Response:
    """Set up an installation, or show what is wrong beside what was typed."""
    rows = _rows(typed)
    if typed.get("more_rows"):
        return _form(typed, [], min(rows + 3, _MOST_ROWS))
    typed = _without_empty_rows(typed)
    try:
        sent = validate_document(_INSTALLATION, _document(typed))
        made = once.do(lambda session: as_made(service.set_up(session, sent, asker.person_id)))
    except (RefusedError, TaperwiseError) as error:
        return _form(typed, field_errors(error), _rows(typed), 422)
    return RedirectResponse(f"/installations/{made.installation_id}", 303)


def _form(typed: Typed, errors: list[Any], rows: int, status: int = 200) -> Response:
    defaults = InstallationIn.model_validate(
        {"needles": [{"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}]}
    )
    return page(
        "set_up.html", status, typed=typed, errors=errors, rows=rows, labels=_LABELS, defaults=defaults,
        client_id=typed.get("client_id") or new_id(),
    )  # fmt: skip


def _rows(typed: Typed) -> int:
    """How many rows of needles the form has.

    Raises
    ------
    RefusedError
        If a field names a row that no form has.
    """
    last = _ROWS - 1
    for name in typed.raw:
        if name.startswith("needles."):
            row = row_of(name.split(".")[1])
            if row is None or row >= _MOST_ROWS:
                raise no_field(name)
            last = max(last, row)
    return last + 1


def _without_empty_rows(typed: Typed) -> Typed:
    """Needle rows without a slope are no needles; those left are numbered anew, so that errors find their row.

    Where needles are known by order, a row with a label is one. A label of somebody's own means one beside slopes, too.
    """
    rows = range(_rows(typed))
    sloped = {i for i in rows if typed.get(f"needles.{i}.taper_slope.value")}
    labelled = {i for i in rows if typed.get(f"needles.{i}.label")}
    own = {i for i in labelled if typed.get(f"needles.{i}.label") != _LABELS[i]}
    kept = sorted(sloped | labelled if typed.get("needles_by") == "order" else sloped and sloped | own)
    raw = {name: text for name, text in typed.raw.items() if not name.startswith("needles.") and name != "fitted_row"}
    for new, old in enumerate(kept):
        for part in ("label", "taper_slope.value", "taper_slope.unit"):
            raw[f"needles.{new}.{part}"] = typed.get(f"needles.{old}.{part}")
        raw[f"needles.{new}.label"] = raw[f"needles.{new}.label"] or _LABELS[old]
        if typed.get("fitted_row") == str(old):
            raw["fitted_row"] = str(new)
    return Typed(raw)


def _document(typed: Typed) -> dict[str, Any]:
    document = typed.document(
        *("name", "needles", "needle_step", "elevation", "coldest_temperature"),
        *("engine", "fuel", "throttle_body", "targets", "watch"),
    )
    row = typed.get("fitted_row")
    label = typed.get(f"needles.{row}.label") if row else ""
    if label:
        document["fitted_needle"] = label
    document["units"] = PRESETS.get(typed.get("preset"), {})
    return document
