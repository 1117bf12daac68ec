"""Examples of responses for the OpenAPI document: of every success as it was answered, of every kind of error."""

import json
from collections.abc import Callable, Mapping
from importlib.resources import files
from typing import Any

from taperwise.shared import errors

__all__ = ["FILE", "add_error_examples", "add_success_examples", "error_examples"]

FILE = "examples.json"
"""Beside this module: by method and path, then status; ``python -m tests.examples`` makes it again."""

_OF_TYPES: tuple[errors.TaperwiseError, ...] = (
    errors.InvalidValueError(
        "The run has no observation", field="run", cure="Give at least one of egt_rise, idle_rpm."
    ),
    errors.UnitError(
        "This unit does not fit a temperature",
        field="air_temperature",
        value="inHg",
        cure="Use one of degF, degC, kelvin.",
    ),
    errors.OutOfRangeError(
        "Plausible values for a temperature are -50 to 60 degC",
        field="air_temperature",
        value="680 degC",
        cure="Check the number and its unit.",
    ),
    errors.UnknownNeedleError(
        "This needle is not one of your needles", field="needle", value="C", cure="Your needles: A, B."
    ),
    errors.StepLimitError(
        "A turn of the needle holder may be at most 0.25 turn",
        field="turns",
        value=0.5,
        cure="Make several smaller steps, with a run after each.",
    ),
    errors.TimeOrderError(
        "This time is in the future",
        field="time",
        value="2099-01-01T00:00:00+00:00",
        cure="Check the date, hour and offset.",
    ),
    errors.NotFoundError(
        "Engine not found", field="installation_id", value=7, cure="Check the number, or set up the engine first."
    ),
    errors.ConflictError(
        "There is no run yet, so there is no summary to share", field="consent", cure="Record a run first."
    ),
    errors.ReusedKeyError(
        "This Idempotency-Key came before, with another body",
        field="Idempotency-Key",
        value="run-of-friday",
        cure="Make a new Idempotency-Key for each request. On a page, load the page again.",
    ),
    errors.UnknownCallerError(
        "This address needs an access key",
        field="authorization",
        value="nothing",
        cure="Send `Authorization: Bearer KEY`. Your administrator can make an access key.",
    ),
    errors.ForbiddenError("Only the owner of this engine may do this", cure="Ask the owner."),
    errors.ChangedSinceError(
        "This was changed since you read it", field="If-Match", value='"0a1b2c3d"', cure="Read it again, then decide."
    ),
    errors.NotReadyError(40),
    errors.BusyError(
        "Too many requests wait at the moment. Nothing was stored", seconds=5, cure="Send the request again in 5 s."
    ),
    errors.UnsafeError(
        "The result was held back, because it breaks a safety rule: a step is beyond its limit",
        cure="Do not turn anything. Tell the operator of the service.",
    ),
    errors.NotConvergedError("Your readings give no reliable result yet", cure="Make another run at this setting."),
)
_OF_STATUSES = {
    400: ("body", "This is not valid JSON: Expecting value", "Send one JSON object in UTF-8."),
    405: ("", "Method Not Allowed", "Use a method that /docs lists for this address."),
    413: ("body", "The body is larger than 16777216 bytes", "Send less in one request."),
    415: ("content-type", "The body must be JSON", "Send JSON as application/json."),
    429: ("request", "Too many requests in a minute", "Wait 60 s, then try again."),
    500: ("", "The service made an error", "The operator finds details in its log, under the X-Request-ID."),
    507: ("", "Nothing was stored", "Free some space on the disk of the database, then try again."),
}
"""Of statuses that no error of the tree has: field, message and cure."""


def _document(kind: str, status: int, title: str, error: errors.TaperwiseError) -> dict[str, Any]:
    value = "" if error.value is None else str(error.value)
    one = {"field": error.field, "value": value, "message": error.message, "cure": error.cure}
    return {"type": f"/problems/{kind}", "title": title, "status": status, "detail": str(error), "errors": [one]}


def error_examples(
    statuses: Mapping[type[errors.TaperwiseError], tuple[int, str]], titles: Mapping[int, str],
    kind_of: Callable[[errors.TaperwiseError], str], kinds: Mapping[int, str],
) -> dict[int, dict[str, dict[str, Any]]]:  # fmt: skip
    """Problem documents by status, then by the name of the error's type, or the status where no type has it.

    Parameters
    ----------
    statuses : mapping
        Status and title of each kind of error.
    titles : mapping
        Title of each status.
    kind_of : callable
        Last part of the `type` of an error.
    kinds : mapping
        Last part of the `type` of each status.
    """
    found: dict[int, dict[str, dict[str, Any]]] = {}
    for error in _OF_TYPES:
        kind = type(error)
        status, title = next(statuses[each] for each in kind.__mro__ if each in statuses)
        found.setdefault(status, {})[kind.__name__] = {"value": _document(kind_of(error), status, title, error)}
    for status, (field, message, cure) in _OF_STATUSES.items():
        error = errors.InvalidValueError(message, field=field, cure=cure)
        found.setdefault(status, {})[str(status)] = {"value": _document(kinds[status], status, titles[status], error)}
    return found


def add_error_examples(schema: dict[str, Any], examples: Mapping[int, Mapping[str, Any]], media_type: str) -> None:
    """Put the examples among the components, and refer to them from every response of their status."""
    every = schema["components"].setdefault("examples", {})
    for of_status in examples.values():
        every.update(of_status)
    for _, operation in _operations(schema):
        for status, response in operation["responses"].items():
            content = response.get("content", {}).get(media_type)
            if content is not None:
                names = examples[int(status)]
                refers = {name: {"$ref": f"#/components/examples/{name}"} for name in names}
                response["content"] = {media_type: {**content, "examples": refers}}  # statuses may share a part


def add_success_examples(schema: dict[str, Any]) -> None:
    """Give every success response what the service once answered, for an invented engine."""
    kept = json.loads(files(__package__).joinpath(FILE).read_text(encoding="utf-8"))
    for name, operation in _operations(schema):
        for status, response in operation["responses"].items():
            for content in response.get("content", {}).values():
                if status in kept.get(name, {}):
                    content["example"] = kept[name][status]


def _operations(schema: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return [
        (f"{method.upper()} {path}", operation)
        for path, methods in schema["paths"].items()
        for method, operation in methods.items()
    ]
