"""Errors as problem documents (RFC 9457), naming the field, the value seen and the cure."""

from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from pydantic.json_schema import models_json_schema
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from starlette.exceptions import HTTPException

from taperwise.api.core.examples import add_error_examples, add_success_examples, error_examples
from taperwise.api.core.named_choices import name_choices
from taperwise.api.core.roles import RULE_KEY, Rule
from taperwise.api.core.storage_failures import StorageFailure, failure_of, is_disk_full
from taperwise.api.core.validation_errors import FieldError, field_error, refusal, shown_sentence
from taperwise.shared.errors import (
    BusyError,
    ChangedSinceError,
    ConflictError,
    ForbiddenError,
    InvalidValueError,
    NotConvergedError,
    NotFoundError,
    NotReadyError,
    ReusedKeyError,
    StepLimitError,
    TaperwiseError,
    TimeOrderError,
    UnknownCallerError,
    UnsafeError,
)

__all__ = [
    "KINDS",
    "MEDIA_TYPE",
    "NOT_READY",
    "FieldError",
    "Problem",
    "Progress",
    "http_failure",
    "install",
    "problem",
    "refused",
    "responses",
    "retry_after",
    "status_of",
    "storage_failure",
    "unforeseen",
]

MEDIA_TYPE = "application/problem+json"

_STATUS: dict[type[TaperwiseError], tuple[int, str]] = {
    InvalidValueError: (422, "A value cannot be used"),
    StepLimitError: (422, "The step is larger than its limit"),
    TimeOrderError: (422, "The entry is out of order in time"),
    NotFoundError: (404, "Not found"),
    ConflictError: (409, "The request contradicts what is stored"),
    ChangedSinceError: (412, "It was changed since you read it"),
    ReusedKeyError: (422, "The Idempotency-Key was used for another request"),
    UnknownCallerError: (401, "Authentication required"),
    ForbiddenError: (403, "Not allowed"),
    BusyError: (503, "Too many requests"),
    NotReadyError: (503, "The result is not ready yet"),
    UnsafeError: (503, "No result that can be shown"),
    NotConvergedError: (503, "No reliable result yet"),
}
_KIND: dict[type[TaperwiseError], str] = {
    InvalidValueError: "invalid-value",
    StepLimitError: "step-limit",
    TimeOrderError: "time-order",
    NotFoundError: "not-found",
    ConflictError: "conflict",
    ChangedSinceError: "changed-since",
    ReusedKeyError: "reused-key",
    UnknownCallerError: "sign-in-needed",
    ForbiddenError: "not-allowed",
    BusyError: "busy",
    NotReadyError: "not-ready",
    UnsafeError: "unsafe",
    NotConvergedError: "no-result",
}
_BY_STATUS = {
    400: "unreadable",
    401: "sign-in-needed",
    403: "not-allowed",
    404: "not-found",
    405: "method",
    409: "conflict",
    412: "changed-since",
    413: "too-large",
    415: "media-type",
    422: "invalid-value",
    429: "too-many-requests",
    500: "fault",
    503: "unavailable",
    507: "disk-full",
}
KINDS: dict[str, tuple[str, str]] = {
    "invalid-value": ("A value cannot be used", "Each entry of `errors` names a field, its value and a cure."),
    "step-limit": ("The step is larger than its limit", "Take a smaller step."),
    "time-order": ("The entry is out of order in time", "Send entries in the order in which they happened."),
    "not-found": ("Not found", "The address or the number is wrong, or belongs to another person."),
    "conflict": ("The request contradicts what is stored", "Read what is stored, then decide. Nothing was stored."),
    "changed-since": (
        "It was changed since you read it",
        "Read it again, then decide. Send its new `ETag` as `If-Match`. Nothing was stored.",
    ),
    "reused-key": ("The Idempotency-Key was used for another request", "Make a new key for each new request."),
    "key-missing": ("Idempotency-Key is needed", "Send an id of your own with each POST."),
    "sign-in-needed": ("Authentication required", "Send a valid access key, or sign in."),
    "not-allowed": ("Not allowed", "Your role or your access key does not allow this."),
    "busy": ("Too many requests", "The service has more requests than it can answer. Ask again after `Retry-After`."),
    "not-ready": ("The result is not ready yet", "Ask again after `Retry-After`."),
    "unsafe": ("No result that can be shown", "The result breaks a safety rule. Tell the operator. Adjust nothing."),
    "no-result": ("No reliable result yet", "The readings contradict each other. Make another run."),
    "unreadable": ("The body is not valid JSON", "Send one JSON object in UTF-8."),
    "method": ("This address does not have this method", "`Allow` names the methods."),
    "too-large": ("The body is too large", "Send less at a time."),
    "media-type": ("The body is not JSON", "Send the body as application/json."),
    "too-many-requests": ("Too many requests", "Your access key asks too often. Ask again after `Retry-After`."),
    "fault": ("The service failed", "Read the log to see whether your entry was saved."),
    "unavailable": ("No answer now", "Try again later."),
    "disk-full": ("The disk is full", "The operator has to free space."),
}
"""Kinds of problems by the last part of their `type`: title, and what to do."""

_log = structlog.get_logger("taperwise")


class Problem(BaseModel):
    """Problem document (RFC 9457)."""

    type: str = Field(
        description="Kind of problem: an address here that explains the kind. Clients tell problems apart by this, "
        "never by their words.",
        examples=["/problems/time-order"],
    )
    title: str = Field(description="Kind of problem in a few words.")
    status: int = Field(description="HTTP status.")
    detail: str = Field(description="Sentence on what is wrong and what to do.")
    errors: list[FieldError] = Field(default_factory=list, description="All fields that are wrong.")


def responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """OpenAPI responses for these statuses, for a route's decorator."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"description": _DESCRIPTIONS[status], "content": content} for status in statuses}


class Progress(BaseModel):
    """Progress until there is a result."""

    detail: str = Field(description="Progress in words.")
    seconds_left: int = Field(description="Estimated time left [s], as in `Retry-After`.")


NOT_READY: dict[int | str, dict[str, Any]] = {
    202: {"description": "The result is not ready yet. Ask again after `Retry-After` seconds", "model": Progress}
}
"""The OpenAPI response of a route that needs the sampler."""

_DESCRIPTIONS = {
    400: "The body is not valid JSON",
    401: "Authentication required",
    403: "Not allowed",
    404: "Not found",
    405: "This address does not have this method",
    409: "The request contradicts what is stored",
    412: "It was changed since you read it",
    413: "The body is too large",
    415: "The body is not JSON",
    422: "A value cannot be used",
    429: "Too many requests",
    500: "The service failed",
    503: "No answer now. Try again later",
    507: "The disk is full",
}


def problem(
    status: int, title: str, detail: str, errors: list[FieldError] | None = None, kind: str | None = None
) -> JSONResponse:
    """A problem document as a response.

    Parameters
    ----------
    kind : str, optional
        One of `KINDS`; the usual one of the status if left out.
    """
    where = f"/problems/{kind or _BY_STATUS.get(status, 'invalid-value' if status < 500 else 'fault')}"
    document = Problem(type=where, title=title, status=status, detail=detail, errors=errors or [])
    return JSONResponse(document.model_dump(), status, media_type=MEDIA_TYPE)


def status_of(error: TaperwiseError) -> tuple[int, str]:
    """Status and title of one of our errors."""
    return next(_STATUS[kind] for kind in type(error).__mro__ if kind in _STATUS)


def kind_of(error: TaperwiseError) -> str:
    """Which of `KINDS` one of our errors is."""
    return next(_KIND[each] for each in type(error).__mro__ if each in _KIND)


def retry_after(error: TaperwiseError) -> dict[str, str]:
    """The header that says when to ask again, where that is known."""
    return {"Retry-After": str(error.seconds)} if isinstance(error, BusyError | NotReadyError) else {}


def _say_that_keys_are_needed(schema: dict[str, Any]) -> None:
    schema["components"]["securitySchemes"] = {"key": {"type": "http", "scheme": "bearer"}}
    guarded = {str(status): found for status, found in responses(401, 403, 429).items()}
    for operation in _operations(schema):
        if operation.get(RULE_KEY) != Rule.ANYONE:
            operation["responses"].update(guarded)
            operation["security"] = [{"key": []}]


def _operations(schema: dict[str, Any]) -> list[dict[str, Any]]:
    return [operation for methods in schema["paths"].values() for operation in methods.values()]


def install(app: FastAPI, with_keys: bool = False) -> None:
    """Register the handlers, and what the OpenAPI schema says of refusals and keys; `api.web` registers the rest."""
    app.add_exception_handler(TaperwiseError, refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(DBAPIError, _database)
    app.add_exception_handler(PoolTimeoutError, _database)
    app.add_exception_handler(OSError, _system)
    bare = app.openapi

    def described() -> dict[str, Any]:
        schema = bare()
        models = models_json_schema([(Problem, "serialization")], ref_template="#/components/schemas/{model}")[1]
        parts = schema.setdefault("components", {})
        parts.setdefault("schemas", {}).update(models["$defs"])
        crowded = {str(status): found for status, found in responses(503).items()}
        for operation in _operations(schema):
            operation["responses"] = {**crowded, **operation["responses"]}
        if with_keys:
            _say_that_keys_are_needed(schema)
        add_error_examples(schema, error_examples(_STATUS, _DESCRIPTIONS, kind_of, _BY_STATUS), MEDIA_TYPE)
        add_success_examples(schema)
        name_choices(schema)
        return schema

    app.openapi = described  # type: ignore[method-assign] # the framework's own way of adding to the schema


async def refused(request: Request, error: Exception) -> JSONResponse:
    """The answer to one of our errors."""
    assert isinstance(error, TaperwiseError)  # noqa: S101 - narrows the type the framework hands over
    waiting = retry_after(error)
    if isinstance(error, NotReadyError) and request.method == "GET":
        progress = Progress(detail=shown_sentence(str(error)), seconds_left=error.seconds)
        return JSONResponse(progress.model_dump(), 202, headers=waiting)
    status, title = status_of(error)
    response = problem(status, title, shown_sentence(str(error)), [field_error(error)], kind_of(error))
    response.headers.update(waiting)
    if status == 401:
        response.headers["WWW-Authenticate"] = 'Bearer realm="taperwise"'
    return response


async def _invalid(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - as above
    found = [refusal(e) for e in error.errors()[:20]]
    first = found[0]
    if first.field.lower() == "idempotency-key":  # as the IETF draft of the header field asks
        cure = "Send a header Idempotency-Key of 8 to 64 letters, digits and ._:- characters, new for each request."
        one = first.model_copy(update={"cure": cure})
        told = f"{one.field}: {one.message}. {cure}"
        return problem(400, "Idempotency-Key is needed", told, [one], "key-missing")
    detail = f"{first.field}: {first.message}" + (f" (got {first.value})" if first.value else "")
    return problem(422, "A value cannot be used", f"{detail}. {first.cure}".strip(), found)


async def http_failure(_request: Request, error: Exception) -> JSONResponse:
    """The answer to a refusal by the framework, such as an address that leads nowhere."""
    assert isinstance(error, HTTPException)  # noqa: S101 - as above
    response = problem(error.status_code, _DESCRIPTIONS.get(error.status_code, "Not possible"), str(error.detail))
    response.headers.update(error.headers or {})
    return response


def storage_failure(request: Request, error: Exception) -> StorageFailure:
    """What to answer where database or disk failed; it is logged and counted."""
    failure = failure_of(error, request.method)
    _log.error("database_failed", error=type(error).__name__, kind=failure.kind)
    _count(request, failure.kind)
    return failure


async def _database(request: Request, error: Exception) -> JSONResponse:
    failure = storage_failure(request, error)
    response = problem(failure.status, failure.title, failure.detail)
    response.headers.update(failure.headers)
    return response


async def _system(request: Request, error: Exception) -> JSONResponse:
    if is_disk_full(error):
        return await _database(request, error)
    raise error


def _count(request: Request, kind: str) -> None:
    figures = getattr(request.app.state, "figures", None)
    if figures is not None:
        figures.failure(kind)


async def unforeseen(request: Request, error: Exception) -> JSONResponse:
    """The answer to a failure that no part foresaw; it is logged and counted."""
    request_id = getattr(request.state, "request_id", "")
    _log.error("unforeseen", error=type(error).__name__, request_id=request_id)
    _count(request, "unforeseen")
    stored = "" if request.method == "GET" else " Read the log to see whether your entry was saved."
    response = problem(
        500,
        _DESCRIPTIONS[500],
        f"The service made an error. The operator finds details in its log, under {request_id}.{stored}",
    )
    response.headers["X-Request-ID"] = request_id
    return response
