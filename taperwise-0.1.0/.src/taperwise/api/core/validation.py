"""Documents that come in by other doors, read as the JSON API reads them, and refused in its words."""

import json
from typing import Any

from pydantic import TypeAdapter, ValidationError

from taperwise.api.core.json_body import BodyError, parse
from taperwise.api.core.validation_errors import FieldError, field_error, refusal
from taperwise.shared.errors import TaperwiseError

__all__ = ["RefusedError", "field_errors", "validate_document"]


class RefusedError(Exception):
    """A document that cannot be used; carries what is wrong with each field."""

    def __init__(self, errors: list[FieldError]) -> None:
        super().__init__("; ".join(f"{e.field}: {e.message}" for e in errors))
        self.errors = errors


def validate_document[T](adapter: TypeAdapter[T], document: dict[str, Any]) -> T:
    """The document as the JSON API would read it.

    Raises
    ------
    RefusedError
        Naming every field that cannot be used, in the API's own words.
    """
    try:
        return adapter.validate_python(parse(json.dumps(document).encode()))
    except BodyError as error:
        raise RefusedError([error.error]) from None
    except ValidationError as error:
        found = [refusal({**e, "loc": ("form", *e["loc"])}) for e in error.errors()[:20]]
        raise RefusedError(found) from None


def field_errors(error: TaperwiseError | RefusedError) -> list[FieldError]:
    """What is wrong, field by field."""
    if isinstance(error, RefusedError):
        return error.errors
    return [field_error(error)]
