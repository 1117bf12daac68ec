"""The latest entries of a log: what was just recorded, what came since, and taking the last adjustment back."""

from sqlalchemy.orm import Session

from taperwise.api.core.database import Installation
from taperwise.api.installations import repository as installations
from taperwise.api.installations.stored import installation_of
from taperwise.api.log import repository
from taperwise.api.log.corrections import record_correction
from taperwise.api.log.service import to_response
from taperwise.api.presentation.set_up_text import UNDONE
from taperwise.api.schemas.log import CorrectionIn, EntryOut
from taperwise.shared.errors import ConflictError

__all__ = ["entries_after", "last_entry", "undo_adjustment"]


def entries_after(session: Session, row: Installation, sequence: int) -> list[EntryOut]:
    """The entries of an installation that came after one of them."""
    owner = installation_of(row)
    return [to_response(each, owner) for each in repository.entries(session, row.id) if each.sequence > sequence]


def last_entry(session: Session, installation_id: int) -> EntryOut | None:
    """The last entry with its corrections, if there is one."""
    row = repository.latest(session, installation_id)
    if row is None:
        return None
    owner = installation_of(installations.get(session, installation_id))
    return to_response(row, owner, repository.corrections(session, installation_id).get(row.id, ()))


def undo_adjustment(session: Session, installation_id: int, sequence: int) -> EntryOut:
    """Void the last adjustment; whatever came after it rests on it, so that it is corrected in the history then.

    Raises
    ------
    NotFoundError, ConflictError
        If there is no such installation, or the entry is not its last one or no adjustment.
    """
    installations.get(session, installation_id, lock=True)
    last = repository.latest(session, installation_id)
    if last is None or (last.sequence, last.kind) != (sequence, "adjustment"):
        raise ConflictError(
            "another entry was recorded after this adjustment", field="sequence", value=sequence,
            cure="Correct the adjustment in the history.",
        )  # fmt: skip
    return record_correction(session, installation_id, sequence, CorrectionIn(reason=UNDONE, void=True))
