"""Queries for notes, and who may change one."""

from datetime import UTC, datetime

import structlog
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from taperwise.api.accounts.principal import Caller
from taperwise.api.accounts.repository import seen_at
from taperwise.api.core.database import Note
from taperwise.api.installations import repository as installations
from taperwise.api.installations.stored import as_stored
from taperwise.api.schemas.log import NoteIn, NoteOut
from taperwise.shared.errors import ForbiddenError, NotFoundError, UnsafeError

__all__ = ["add", "count_notes", "edit", "list_notes", "note_of", "remove"]

_log = structlog.get_logger("taperwise")


def add(session: Session, installation_id: int, sent: NoteIn, asker: Caller) -> NoteOut:
    """Keep a note, signed by whoever is signed in.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    installations.get(session, installation_id, lock=True)
    row = Note(
        installation_id=installation_id,
        written_at=datetime.now(UTC),
        author=asker.name,
        person_id=asker.person_id,
        text=sent.text,
    )
    session.add(row)
    session.flush()
    return _outward(row, asker, None)


def list_notes(
    session: Session, installation_id: int, asker: Caller, limit: int | None = None, before: int | None = None
) -> list[NoteOut]:
    """Notes of an installation, the newest first, marked where they are new for the asker. One that somebody damaged
    in the database is left out and logged by its number.

    Parameters
    ----------
    limit : int, optional
        How many at most.
    before : int, optional
        Only those with a smaller number.
    """
    query = select(Note).where(Note.installation_id == installation_id).order_by(Note.id.desc()).limit(limit)
    if before is not None:
        query = query.where(Note.id < before)
    seen = seen_at(session, installation_id, asker.person_id or 0)
    found = []
    for row in session.scalars(query):
        try:
            found.append(_outward(row, asker, seen))
        except UnsafeError:
            _log.error("stored_note_damaged", note=row.id)
    return found


def count_notes(session: Session, installation_id: int) -> int:
    """How many notes an installation has."""
    query = select(func.count()).select_from(Note).where(Note.installation_id == installation_id)
    return session.scalar(query) or 0


def note_of(session: Session, installation_id: int, note_id: int, asker: Caller) -> NoteOut:
    """One note.

    Raises
    ------
    NotFoundError
        If the installation has no such note.
    """
    seen = seen_at(session, installation_id, asker.person_id or 0)
    return _outward(_row(session, installation_id, note_id), asker, seen)


def edit(session: Session, installation_id: int, note_id: int, sent: NoteIn, asker: Caller) -> NoteOut:
    """Change the text of a note of the asker's own.

    Raises
    ------
    NotFoundError, ForbiddenError
        If the installation has no such note, or somebody else wrote it.
    """
    row = _own(session, installation_id, note_id, asker)
    if row.text != sent.text:
        row.text, row.edited_at = sent.text, datetime.now(UTC)
        session.flush()
    return _outward(row, asker, None)


def remove(session: Session, installation_id: int, note_id: int, asker: Caller) -> None:
    """Delete a note of the asker's own.

    Raises
    ------
    NotFoundError, ForbiddenError
        As `edit`.
    """
    session.delete(_own(session, installation_id, note_id, asker))
    session.flush()


def _row(session: Session, installation_id: int, note_id: int) -> Note:
    installations.get(session, installation_id)
    row = session.get(Note, note_id)
    if row is None or row.installation_id != installation_id:
        raise NotFoundError(
            "there is no such note", field="note_id", value=note_id, cure="The list shows which there are."
        )
    return row


def _own(session: Session, installation_id: int, note_id: int, asker: Caller) -> Note:
    installations.get(session, installation_id, lock=True)
    row = _row(session, installation_id, note_id)
    if not _mine(row, asker):
        raise ForbiddenError("only its author may change this note", cure="Write a note of your own.")
    return row


def _mine(row: Note, asker: Caller) -> bool:
    """Where sign-in is off, notes without an account are everyone's."""
    return row.person_id == asker.person_id and (asker.everything or asker.person_id is not None)


def _outward(row: Note, asker: Caller, seen: datetime | None) -> NoteOut:
    mine = _mine(row, asker)
    with as_stored("note_id", row.id):
        last = row.edited_at or row.written_at
        new = not mine and (seen is None or last > seen)
        return NoteOut(
            id=row.id, written_at=row.written_at, edited_at=row.edited_at, author=row.author, text=row.text, mine=mine,
            new=new,
        )  # fmt: skip
