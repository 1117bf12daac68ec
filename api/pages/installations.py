"""The list of installations, and setting one up."""

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from api.access.gate import Asker
from api.access.roles import Rule, may
from api.advice.overview import overview
from api.http.checked import RefusedError, checked, told
from api.installations import service, storage
from api.pages.client_ids import id_in, new_id
from api.pages.many import Leafed
from api.pages.problem_pages import PageRoute
from api.pages.rendering import page
from api.pages.typed import Form, Typed, no_field, row_of
from api.places import AdviceDesk, Db
from api.told.units import PRESETS
from api.wire.installation import InstallationIn
from shared.errors import EighthTurnError

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_INSTALLATION = TypeAdapter(InstallationIn)
_ROWS = 3
_MOST_ROWS = 24
_LABELS = "ABCDEFGHIJKLMNOPQRSTUVWX"


@router.get("/", **may(Rule.SIGNED_IN))
def home() -> Response:
    """The list is the home page."""
    return RedirectResponse("/installations", 303)


@router.get("/installations", **may(Rule.SIGNED_IN))
def listing(database: Db, desk: AdviceDesk, asker: Asker, leaf: Leafed) -> Response:
    """All installations, the newest first, with what is known of each without learning anything."""
    with database.reading() as session:
        total, rows = storage.page(session, *leaf.bounds, asker.visible(), leaf.name)
        standing = overview(session, rows, desk.seed)
    shown = [
        {
            "number": row.id,
            "name": row.document.get("name") or f"Installation {row.id}",
            "kept": standing[row.id].kept,
        }
        for row in rows
    ]
    return page("installations.html", rows=shown, total=total, client_id=new_id(), leaf=leaf, around=leaf.around(total))


@router.get("/installations/new", **may(Rule.SETS_UP))
def blank() -> Response:
    """An empty form with every default in its place."""
    return _form(Typed({}), [], _ROWS)


@router.post("/installations/new", **may(Rule.SETS_UP))
def create(typed: Form, database: Db, asker: Asker) -> Response:
    """Set up an installation, or show what is wrong beside what was typed."""
    rows = _rows(typed)
    if typed.get("more_rows"):
        return _form(typed, [], min(rows + 3, _MOST_ROWS))
    typed = _without_empty_rows(typed)
    try:
        client_id = id_in(typed)
        sent = checked(_INSTALLATION, _document(typed))
        with database.unit() as session:
            row = service.set_up(session, sent, asker.person_id, client_id)
    except (RefusedError, EighthTurnError) as error:
        return _form(typed, told(error), _rows(typed), 422)
    return RedirectResponse(f"/installations/{row.id}", 303)


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
    """Needle rows without a slope are no needles; those left are numbered anew, so that errors find their row."""
    kept = [i for i in range(_rows(typed)) if typed.get(f"needles.{i}.taper_slope.value")]
    raw = {name: text for name, text in typed.raw.items() if not name.startswith("needles.") and name != "fitted_row"}
    for new, old in enumerate(kept):
        for part in ("label", "taper_slope.value", "taper_slope.unit"):
            raw[f"needles.{new}.{part}"] = typed.get(f"needles.{old}.{part}")
        raw[f"needles.{new}.label"] = raw[f"needles.{new}.label"] or _LABELS[old]
        if typed.get("fitted_row") == str(old):
            raw["fitted_row"] = str(new)
    return Typed(raw)


def _document(typed: Typed) -> dict[str, Any]:
    document = typed.document("name", "needles", "elevation", "engine", "fuel", "throttle_body", "targets", "watch")
    row = typed.get("fitted_row")
    label = typed.get(f"needles.{row}.label") if row else ""
    if label:
        document["fitted_needle"] = label
    document["units"] = PRESETS.get(typed.get("preset"), {})
    return document
