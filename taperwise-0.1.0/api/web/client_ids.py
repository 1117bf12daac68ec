"""Ids of forms, made where the form is made, so that one sent twice is done once."""

import json
import re
import uuid
from typing import Annotated

from fastapi import Depends, Request

from taperwise.api.core.idempotency import Once, once_of
from taperwise.api.core.validation import RefusedError
from taperwise.api.core.validation_errors import FieldError
from taperwise.api.web.form_data import Form, Typed

__all__ = ["OnceTyped", "new_id"]

_ID = re.compile(r"[A-Za-z0-9._:-]{8,64}")
_APART = ("client_id", "time", "opened_after", "photo")
"""Fields that do not tell one form from another: one that had to wait is sent with a time, and after others; one that
a browser brings back has lost its photo."""


def new_id() -> str:
    """A new id."""
    return uuid.uuid4().hex


def _id_in(typed: Typed) -> str | None:
    """The id a form carries, if it does.

    Raises
    ------
    RefusedError
        If it is none.
    """
    found = typed.get("client_id")
    if found and not _ID.fullmatch(found):
        wrong = "An id has 8 to 64 characters of A-Z a-z 0-9 . _ : -"
        one = FieldError(field="client_id", value=found[:80], message=wrong, cure="Load the page again.")
        raise RefusedError([one])
    return found or None


def _typed(request: Request, typed: Form) -> Once:
    said = sorted((name, text) for name, text in typed.raw.items() if name not in _APART)
    return once_of(request, _id_in(typed), json.dumps(said).encode())


OnceTyped = Annotated[Once, Depends(_typed)]
"""What a form's POST asks for: a way to do what was typed once."""
