"""Recording a run: typed in, or read from a logger's trace."""

from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import RedirectResponse
from pydantic import TypeAdapter

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Db
from taperwise.api.core.idempotency import Made, Once
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.validation import RefusedError, field_errors, validate_document
from taperwise.api.log import repository, service
from taperwise.api.presentation.observations import OBSERVATIONS, asked
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.api.web.client_ids import OnceTyped, new_id
from taperwise.api.web.form_data import Form, Typed
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.shared.errors import TaperwiseError

__all__ = ["FIELDS", "choices", "document_of", "fields_of", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

_RUN = TypeAdapter(RunIn)
_COLUMNS = {
    "time": "trace_time", "temperature_unit": "trace_unit", "time_unit": "trace_time_unit",
    "decimal": "trace_decimal", "date_order": "trace_date_order",
}  # fmt: skip
"""Field of the form for each field of the mapping but `egt`."""

_SAME_AIR = timedelta(hours=3)

FIELDS = (
    *("air_temperature", "elevation", "sureness", "note", "time"),
    *dict.fromkeys(each.name.partition(".")[0] for each in OBSERVATIONS if each.place),
)
"""Fields of a run that stand in the form under their own names."""


@router.get("/run", **requires(Rule.SEES))
def blank(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> Response:
    """The form, the air of a run made a while ago in its place."""
    with database.reading() as session:
        log = service.load(session, installation_id)
        last = repository.latest_run(session, installation_id)
    air = {}
    if last is not None and datetime.now(UTC) - last.happened_at < _SAME_AIR:
        air = fields_of(last.document, ("air_temperature", "pressure", "altimeter_setting", "elevation"))
    return _form(log, desk, database, Typed(air), [], carried=bool(air))


@router.post("/run", **requires(Rule.SEES))
def record(installation_id: InstallationId, typed: Form, database: Db, desk: AdviceDesk, once: OnceTyped) -> Response:
    """Record the run as the JSON API would, or show what is wrong beside what was typed."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    try:
        if once.earlier is None:
            _record(once, database, installation_id, validate_document(_RUN, document_of(typed)))
    except (RefusedError, TaperwiseError) as error:
        return _form(log, desk, database, typed, field_errors(error), status=422)
    return RedirectResponse(f"/installations/{installation_id}", 303)


def _record(once: Once, database: Database, installation_id: int, sent: RunIn) -> None:
    sent, traced = service.with_trace_read(database, installation_id, sent)
    once.do(lambda session: Made(service.record_run(session, installation_id, sent, traced)))


def document_of(typed: Typed) -> dict[str, Any]:
    """The run a form stands for."""
    document = typed.document(*FIELDS)
    kind = typed.get("pressure_kind") or "altimeter_setting"
    given = typed.document("air_pressure").get("air_pressure")
    if given and kind in ("altimeter_setting", "pressure"):
        document[kind] = given
    rise = _rise(typed)
    if rise is not None:
        document["egt_rise"] = rise
    if typed.get("trace"):
        document["trace"] = {"csv": typed.raw["trace"]}
        egt = [name.strip() for name in typed.get("trace_egt").split(";") if name.strip()]
        columns = {"egt": egt, **{name: typed.get(field) for name, field in _COLUMNS.items()}}
        if any(columns.values()):
            document["trace"]["mapping"] = {name: value for name, value in columns.items() if value}
    return document


def _rise(typed: Typed) -> dict[str, Any] | None:
    """What leaning showed; a rise typed without a word on how it went is one to a peak."""
    values = typed.document("peak", "rough")
    seen = typed.get("seen") or ("peak" if "peak" in values else "")
    match seen:
        case "peak":
            return {"seen": "peak", **({"rise": values["peak"]} if "peak" in values else {})}
        case "rough_before_peak":
            return {"seen": seen, **({"rise": values["rough"]} if "rough" in values else {})}
        case "":
            return None
    return {"seen": seen}


def fields_of(document: dict[str, Any], names: tuple[str, ...]) -> dict[str, str]:
    """The form's fields for a run as it is stored: the other way round from `document_of`."""
    found: dict[str, str] = {}
    for name in names:
        value = document.get(name)
        if value is None:
            continue
        if name in ("pressure", "altimeter_setting"):
            found |= {"pressure_kind": name, **_flat("air_pressure", value)}
        elif name == "egt_rise":
            found["seen"] = value["seen"]
            if "rise" in value:
                found |= _flat("peak" if value["seen"] == "peak" else "rough", value["rise"])
        else:
            found |= _flat(name, value)
    return found


def _flat(name: str, value: Any) -> dict[str, str]:
    if isinstance(value, dict):
        return {k: v for inner, below in value.items() for k, v in _flat(f"{name}.{inner}", below).items()}
    return {name: f"{value:.10g}" if isinstance(value, float) else str(value)}


def _form(
    log: service.Log, desk: RecommendationService, database: Database, typed: Typed, errors: list[Any], *,
    carried: bool = False, status: int = 200,
) -> Response:  # fmt: skip
    kept = desk.kept(database, log.installation_id)
    return page(
        "run.html",
        status,
        number=log.installation_id,
        name=name_of(log),
        here="/run",
        heading="Record a run",
        typed=typed,
        errors=errors,
        carried=carried,
        stage=None if kept is None else kept.stage,
        client_id=typed.get("client_id") or new_id(),
        **choices(log.sent.units),
        has_elevation=log.sent.elevation is not None,
    )


def choices(units: Units) -> dict[str, Any]:
    """What every form of a run offers."""
    more = asked(units, "speed", "rise", "meter", "highest", "air")
    return {"units": units, "asked_idle": asked(units, "idle"), "asked_more": more}
