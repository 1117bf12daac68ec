"""Errors as problem documents (RFC 9457), naming the field, the value seen and the cure."""

import difflib
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException

from shared.errors import (
    ConflictError,
    EighthTurnError,
    InvalidValueError,
    NotConvergedError,
    NotFoundError,
    StepLimitError,
    TimeOrderError,
)

__all__ = ["MEDIA_TYPE", "FieldError", "Problem", "install", "problem", "responses", "status_of"]

MEDIA_TYPE = "application/problem+json"

_STATUS: dict[type[EighthTurnError], tuple[int, str]] = {
    InvalidValueError: (422, "A value cannot be used"),
    StepLimitError: (422, "The step is beyond its limit"),
    TimeOrderError: (422, "The entry is out of order in time"),
    NotFoundError: (404, "Nothing is stored there"),
    ConflictError: (409, "The entry contradicts what is stored"),
    NotConvergedError: (503, "No posterior that can be trusted"),
}
_SHOWN = 80
_log = structlog.get_logger("eighth_turn")


class FieldError(BaseModel):
    """One thing that is wrong."""

    field: str
    value: str
    message: str
    cure: str


class Problem(BaseModel):
    """Problem document."""

    type: str = Field("about:blank", description="Always about:blank: the status and the errors say it all.")
    title: str
    status: int
    detail: str
    errors: list[FieldError] = Field(default_factory=list)


def responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """OpenAPI responses for these statuses, for a route's decorator."""
    schema = {"schema": {"$ref": "#/components/schemas/Problem"}}
    return {
        status: {"model": Problem, "description": _DESCRIPTIONS[status], "content": {MEDIA_TYPE: schema}}
        for status in statuses
    }


_DESCRIPTIONS = {
    400: "The body is not JSON that can be read",
    404: "Nothing is stored there",
    405: "Not a method of this address",
    409: "The entry contradicts what is stored",
    413: "The body is too large",
    415: "The body is not JSON",
    422: "A value cannot be used",
    503: "Not ready",
}


def shown(value: Any) -> str:
    """A value for an error message: short, and safe to print."""
    text = value if isinstance(value, str) else repr(value)
    text = text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\x00")
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def problem(status: int, title: str, detail: str, errors: list[FieldError] | None = None) -> JSONResponse:
    """A problem document as a response."""
    document = Problem(title=title, status=status, detail=detail, errors=errors or [])
    return JSONResponse(document.model_dump(), status, media_type=MEDIA_TYPE)


def status_of(error: EighthTurnError) -> tuple[int, str]:
    """Status and title of one of our errors."""
    return next(_STATUS[kind] for kind in type(error).__mro__ if kind in _STATUS)


def install(app: FastAPI) -> None:
    """Register the handlers."""
    app.add_exception_handler(EighthTurnError, _ours)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(DBAPIError, _database)


async def _ours(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, EighthTurnError)  # noqa: S101 - narrows the type the framework hands over
    status, title = status_of(error)
    seen = "" if error.value is None else shown(error.value)
    one = FieldError(field=error.field, value=seen, message=error.message, cure=error.cure)
    return problem(status, title, shown_sentence(str(error)), [one])


def shown_sentence(text: str) -> str:
    """A whole sentence, safe to print."""
    return text.encode("utf-8", "backslashreplace").decode()[:1000]


async def _invalid(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - as above
    found = [_field_error(e) for e in error.errors()[:20]]
    first = found[0]
    detail = f"{first.field}: {first.message}" + (f" (got {first.value})" if first.value else "")
    return problem(422, "A value cannot be used", f"{detail}. {first.cure}".strip(), found)


_NOT_PLACES = {
    "body", "path", "query",  # where it came in
    "peak", "fell_at_once", "rough_before_peak",  # kinds of a union, not fields
    "turn_screw", "change_needle", "turn_idle_stop", "change_part",
}  # fmt: skip


def _field_error(e: Any) -> FieldError:
    context = e.get("ctx") or {}
    place = [str(x) for x in e["loc"] if x not in _NOT_PLACES]
    if "field" in context:
        place.append(str(context["field"]))
    seen = context["seen"] if "seen" in context else "nothing" if e["type"] == "missing" else shown(e.get("input"))
    return FieldError(
        field=shown(".".join(place)), value=shown(seen), message=shown_sentence(e["msg"]), cure=_cure(e, context, place)
    )


_CURES = {
    "missing": "Add it.",
    "float_type": "Give a plain number, without quotes.",
    "int_type": "Give a whole number, without quotes.",
    "finite_number": "Give a finite number.",
    "union_tag_invalid": "Use one of the values named.",
    "union_tag_not_found": "Say which kind it is.",
    "literal_error": "Use one of the values named.",
    "string_too_long": "Shorten it.",
}


def _cure(e: Any, context: Any, place: list[str]) -> str:
    if "cure" in context:
        return str(context["cure"])
    if e["type"] == "extra_forbidden":
        near = difflib.get_close_matches(place[-1], _KNOWN_FIELDS, n=1)
        return f"Did you mean {near[0]}?" if near else "Leave it out; the OpenAPI page lists the fields."
    return _CURES.get(e["type"], "See the OpenAPI page for what is accepted here.")


def _fields(model: type[BaseModel]) -> set[str]:
    from typing import get_args

    names: set[str] = set(model.model_fields)
    for f in model.model_fields.values():
        for kind in (f.annotation, *get_args(f.annotation)):
            if isinstance(kind, type) and issubclass(kind, BaseModel) and kind is not model:
                names |= _fields(kind)
    return names


def _known_fields() -> list[str]:
    from api.wire.entries import ChangeNeedleIn, ChangePartIn, RunIn, TurnScrewIn
    from api.wire.installation import InstallationIn, NeedleIn

    models = (InstallationIn, NeedleIn, RunIn, TurnScrewIn, ChangeNeedleIn, ChangePartIn)
    return sorted(set().union(*(_fields(m) for m in models)))


_KNOWN_FIELDS = _known_fields()


async def _http(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)  # noqa: S101 - as above
    response = problem(error.status_code, _DESCRIPTIONS.get(error.status_code, "Refused"), str(error.detail))
    response.headers.update(error.headers or {})
    return response


async def _database(_request: Request, error: Exception) -> JSONResponse:
    _log.error("database_failed", error=type(error).__name__)
    return problem(503, "The database did not answer", "Nothing was stored. Try again in a moment.")
