"""Routes of the log: record a run, record an adjustment, read it all back."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Body, Query, Response
from fastapi.openapi.models import Example
from fastapi.responses import JSONResponse
from pydantic_core import to_jsonable_python
from sqlalchemy.orm import Session

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Count, Db, ReadingUnit, Sequence
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.installations import repository as installations
from taperwise.api.installations.routes import to_response as installation_outward
from taperwise.api.installations.stored import installation_of
from taperwise.api.log import service
from taperwise.api.log.corrections import record_correction
from taperwise.api.log.respond_async import Answering
from taperwise.api.presentation.idle_text import IDLE_LEVELS
from taperwise.api.presentation.recorded_text import run_means
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn
from taperwise.api.schemas.log import (
    AcknowledgeRecorded,
    AdjustmentRecorded,
    CorrectionIn,
    CorrectionRecorded,
    History,
    IdleLevelOut,
    RunRecorded,
)
from taperwise.api.schemas.run import RunIn

__all__ = ["router", "words"]

router = APIRouter(prefix="/api/v1/installations/{installation_id}", tags=["log"])
words = APIRouter(prefix="/api/v1", tags=["words"])
_APPEND_REFUSALS = responses(400, 404, 409, 413, 415, 422, 503, 507)

_RUNS: dict[str, Example] = {
    "all": {
        "summary": "A run with everything read",
        "value": {
            "air_temperature": {"value": 68, "unit": "degF"},
            "altimeter_setting": {"value": 29.98, "unit": "inHg"},
            "elevation": {"value": 650, "unit": "ft"},
            "egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}},
            "idle_quality": "slightly_rich",
            "static_rpm": {"value": 2780, "unit": "rpm"},
            "idle_rpm": {"value": 790, "unit": "rpm"},
            "highest": {"cht": {"value": 402, "unit": "degF"}},
        },
    },
    "instruments": {
        "summary": "Lambda and fuel flow, not read with certainty",
        "value": {
            "air_temperature": {"value": 24, "unit": "degC"},
            "pressure": {"value": 1003, "unit": "hPa"},
            "lambda_full_rich": {"value": 0.88, "unit": "1"},
            "fuel_flow": {"value": 31, "unit": "l/h"},
            "power_rpm_rise": {"value": 20, "unit": "rpm"},
            "sureness": "unsure",
        },
    },
    "fell": {
        "summary": "EGT fell at once on leaning",
        "value": {
            "air_temperature": {"value": 20, "unit": "degC"},
            "pressure": {"value": 992, "unit": "hPa"},
            "egt_rise": {"seen": "fell_at_once"},
        },
    },
    "idle": {
        "summary": "The idle alone",
        "value": {
            "air_temperature": {"value": 68, "unit": "degF"},
            "pressure": {"value": 29.28, "unit": "inHg"},
            "idle_quality": 3,
            "idle_rpm_rise": {"value": 20, "unit": "rpm"},
            "note": "oil still cold",
        },
    },
}
_CORRECTIONS: dict[str, Example] = {
    "void": {"summary": "The entry should not exist", "value": {"reason": "recorded twice", "void": True}},
    "run": {
        "summary": "The correct run",
        "value": {"reason": "a rise of 96, not 196", "run": _RUNS["all"]["value"]},
    },
}
_CAUSES: dict[str, Example] = {
    "baffle": {
        "summary": "A cause that was mended",
        "value": {"cause": "A baffle was loose; refitted, heads inspected."},
    },
    "probe": {
        "summary": "A cause of a finding",
        "value": {"about": "trace", "cause": "The plug of EGT 2 was loose; pushed in."},
    },
}
_ADJUSTMENTS: dict[str, Example] = {
    "screw": {"summary": "An eighth leaner", "value": {"kind": "turn_screw", "turns": -0.125}},
    "needle": {
        "summary": "Another needle, a quarter out from its mark",
        "value": {"kind": "change_needle", "needle": "taper 30.6", "turns_from_mark": 0.25},
    },
    "idle stop": {"summary": "Idle a little faster", "value": {"kind": "turn_idle_stop", "turns": 0.25}},
    "part": {"summary": "Another propeller", "value": {"kind": "change_part", "part": "propeller"}},
    "fuel": {"summary": "Another fuel", "value": {"kind": "change_part", "part": "fuel", "fuel": "mogas"}},
}


def _answered(made: Made, answering: Answering, installation_id: int) -> JSONResponse:
    """What was recorded, now or before, with the answer to the log as it is."""
    recorded = dict(made.document)
    parts = answering.answer(installation_id).parts(*recorded.pop("warnings"))
    return JSONResponse(recorded | to_jsonable_python(parts), made.status, answering.response.headers)


@router.post(
    "/runs",
    **requires(Rule.SEES),
    status_code=201,
    response_model=RunRecorded,
    responses=_APPEND_REFUSALS,
    summary="Record a ground run",
)
def run(
    installation_id: InstallationId,
    sent: Annotated[RunIn, Body(openapi_examples=_RUNS)],
    database: Db,
    answering: Answering,
    once: OncePosted,
) -> Response:
    """Takes the air and at least one observation. Returns chances and the next step."""
    made = once.earlier or once.do(_run(database, installation_id, sent))
    return _answered(made, answering, installation_id)


def _run(database: Database, installation_id: int, sent: RunIn) -> Callable[[Session], Made]:
    """How a run is recorded, its trace read before the unit of work begins."""
    sent, traced = service.with_trace_read(database, installation_id, sent)

    def deed(session: Session) -> Made:
        recorded = service.record_run(session, installation_id, sent, traced)
        owner = installation_of(installations.get(session, installation_id))
        means = run_means(traced.run, owner.record().targets)
        return Made({"run": recorded, "sweeps": traced.sweeps, "means": means, "warnings": traced.warnings})

    return deed


@router.post(
    "/adjustments",
    **requires(Rule.SEES),
    status_code=201,
    response_model=AdjustmentRecorded,
    responses=_APPEND_REFUSALS,
    summary="Record an adjustment",
)
def adjustment(
    installation_id: InstallationId,
    sent: Annotated[AdjustmentIn, Body(openapi_examples=_ADJUSTMENTS)],
    answering: Answering,
    once: OncePosted,
) -> Response:
    """Takes what you really turned or changed, with the engine stopped."""

    def deed(session: Session) -> Made:
        recorded, warnings = service.record_adjustment(session, installation_id, sent)
        position = service.load(session, installation_id).position()
        return Made({"adjustment": recorded, "position": position, "warnings": warnings})

    return _answered(once.do(deed), answering, installation_id)


@router.post(
    "/acknowledgements",
    **requires(Rule.SEES),
    status_code=201,
    response_model=AcknowledgeRecorded,
    responses=_APPEND_REFUSALS,
    summary="Record the cause",
)
def acknowledgement(
    installation_id: InstallationId,
    sent: Annotated[AcknowledgeIn, Body(openapi_examples=_CAUSES)],
    answering: Answering,
    once: OncePosted,
) -> Response:
    """Ends a pause of the suggestions. About `trace`: removes the findings of logger files from the next step."""

    def deed(session: Session) -> Made:
        recorded, warnings = service.record_acknowledgement(session, installation_id, sent)
        return Made({"acknowledged": recorded, "warnings": warnings})

    return _answered(once.do(deed), answering, installation_id)


@router.post(
    "/entries/{sequence}/corrections",
    **requires(Rule.SEES),
    status_code=201,
    response_model=CorrectionRecorded,
    responses=_APPEND_REFUSALS,
    summary="Correct or void an entry",
)
def correction(
    installation_id: InstallationId,
    sequence: Sequence,
    sent: Annotated[CorrectionIn, Body(openapi_examples=_CORRECTIONS)],
    answering: Answering,
    once: OncePosted,
) -> Response:
    """Replaces or voids a wrong run or adjustment. The log keeps both."""

    def deed(session: Session) -> Made:
        entry = record_correction(session, installation_id, sequence, sent)
        position = service.load(session, installation_id).position()
        return Made({"entry": entry, "position": position, "warnings": []})

    return _answered(once.do(deed), answering, installation_id)


@router.get("/history", **requires(Rule.SEES), responses=responses(404, 422, 503), summary="Show the log")
def history(
    installation_id: InstallationId,
    unit: ReadingUnit,
    limit: Annotated[Count, Query(ge=1, le=1000, description="Entries on one page.")] = 1000,
    cursor: Annotated[Count, Query(le=2**31, description="`next` of the page before.")] = 0,
) -> History:
    """Returns the set-up and the entries, the oldest first."""
    row = installations.get(unit, installation_id)
    entries = service.entries_of(unit, installation_id, cursor, limit + 1)
    position = service.load(unit, installation_id).position()
    return History(
        installation=installation_outward(row), entries=entries[:limit], position=position,
        next=str(entries[limit - 1].sequence) if len(entries) > limit else None,
    )  # fmt: skip


@words.get("/idle-levels", **requires(Rule.ANYONE), summary="List the idle judgements")
async def idle_levels() -> list[IdleLevelOut]:
    """Returns looks, sound and smell of each idle judgement, the leanest first."""
    return [
        IdleLevelOut(level=int(q), key=q.name.lower(), name=w.name, looks=w.looks, sounds=w.sounds, smells=w.smells)
        for q, w in IDLE_LEVELS.items()
    ]
