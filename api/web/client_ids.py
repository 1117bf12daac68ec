"""Ids of entries, made where the form is made, so that a form sent twice is recorded once."""

import re
import uuid

from taperwise.api.core.validation import RefusedError
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.web.form_data import Typed

__all__ = ["id_in", "new_id"]

_ID = re.compile(r"[A-Za-z0-9._:-]{8,64}")


def new_id() -> str:
    """A new id."""
    return uuid.uuid4().hex


def id_in(typed: Typed) -> str | None:
    """The id a form carries, if it does.

    Raises
    ------
    RefusedError
        If it is none.
    """
    found = typed.get("client_id")
    if found and not _ID.fullmatch(found):
        one = FieldError(field="client_id", value=found[:80], message="this is no id", cure="Load the page again.")
        raise RefusedError([one])
    return found or None
