"""A form that was opened before another entry was made asks first: two tabs record one turn once."""

import re

from sqlalchemy.orm import Session

from taperwise.api.core.validation import RefusedError
from taperwise.api.core.validation_errors import FieldError, shown
from taperwise.api.installations import repository as installations
from taperwise.api.log import latest, repository
from taperwise.api.presentation.card_text import another_entry
from taperwise.api.web.form_data import Typed

__all__ = ["NewerEntryError", "refuse_newer", "status_of"]


class NewerEntryError(RefusedError):
    """Another entry was recorded since the form was opened."""


def refuse_newer(session: Session, installation_id: int, typed: Typed) -> None:
    """Ask, where an entry was made after the last one that the form knew of (its field `opened_after`).

    Raises
    ------
    NewerEntryError
        If there is one, or if the form names an entry that the log does not have.
    """
    seen = typed.get("opened_after")
    if not seen:
        return
    row = installations.get(session, installation_id, lock=True)
    if not re.fullmatch(r"[0-9]{1,9}", seen) or int(seen) > repository.last_sequence(session, installation_id):
        message, cure = "The log does not have this entry", "Check the form, then press the button again."
        raise NewerEntryError([FieldError(field="opened_after", value=shown(seen), message=message, cure=cure)])
    newer = latest.entries_after(session, row, int(seen))
    if newer:
        message, cure = another_entry(newer[-1], len(newer))
        raise NewerEntryError([FieldError(field="", value="", message=message, cure=cure)])


def status_of(error: Exception) -> int:
    """The status of a page that shows a refusal."""
    return 409 if isinstance(error, NewerEntryError) else 422
