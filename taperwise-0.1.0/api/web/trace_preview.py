"""A logger file looked at before it is recorded: its rows, its columns, what will be read. Nothing is stored."""

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import service
from taperwise.api.presentation.entry_text import run_words
from taperwise.api.presentation.trace_text import sentence
from taperwise.api.schemas.run import RunIn
from taperwise.api.traces.columns import trace_of
from taperwise.api.traces.csv_table import read_table
from taperwise.api.traces.reading import summary
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import HEADERS, fragment
from taperwise.api.web.run_forms import trace_of_form
from taperwise.api.web.runs import RUN
from taperwise.shared.errors import TaperwiseError
from taperwise.shared.runs import Run

__all__ = ["router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_ROWS, _WIDEST = 4, 400
_ANY_AIR = {"air_temperature": {"value": 15, "unit": "degC"}, "pressure": {"value": 1013.25, "unit": "hPa"}}
"""Air of a run of which only the trace is read."""


@router.post("/run/preview", **requires(Rule.SEES))
def preview(installation_id: InstallationId, typed: Form, database: Db) -> Response:
    """What the chosen file shows, as a part of the form; empty without a file."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    text = typed.raw.get("trace", "")
    context: dict[str, Any] = {"rows": [], "columns": [], "said": "", "findings": [], "picture": None, "wrong": []}
    if text.strip():
        context["rows"] = [line[:_WIDEST] for line in text.splitlines()[:_ROWS]]
        try:
            context |= _read(typed, log, database)
        except (RefusedError, TaperwiseError) as error:
            context["wrong"] = field_errors(error)
            context["columns"] = context["columns"] or _columns(typed, set())
    return HTMLResponse(fragment("trace_preview.html", **context), headers=HEADERS)


def _read(typed: Typed, log: service.Log, database: Database) -> dict[str, Any]:
    """What would be recorded of the file, and its picture."""
    from taperwise.api.charts import sweep  # imported late: loads altair and vl-convert, about a second

    sent: RunIn = validate_document(RUN, {**_ANY_AIR, "trace": trace_of_form(typed)})
    sent, traced = service.with_trace_read(database, log.installation_id, sent)
    assert sent.trace is not None  # noqa: S101 - narrows the type; the document above holds one
    trace = trace_of(sent.trace.csv, sent.trace.mapping)
    runs = sum(isinstance(e, Run) for e in log.entries)
    drawn = sweep.draw(trace, summary(trace, log.sent.units)[-1], log.sent.units, runs + 1)
    told = run_words(traced.run.model_copy(update={"trace": None}), log.sent.units).split("; ")
    return {
        "columns": _columns(typed, set(trace.egt_kelvin)),
        "said": "; ".join(told[2:]),  # without the air, which is none of the file's
        "findings": [sentence(f, log.sent.units) for f in traced.findings],
        "picture": drawn,
    }


def _columns(typed: Typed, used: set[str]) -> list[tuple[str, str, bool]]:
    """Heading, unit and whether it is read as an exhaust temperature, of every column."""
    try:
        return [(c.name, c.unit, c.name in used) for c in read_table(typed.raw["trace"])]
    except TaperwiseError:
        return []  # what is wrong with the table is told already
