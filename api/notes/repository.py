"""Queries for notes."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from taperwise.api.core.database import Note
from taperwise.api.installations import repository as installations
from taperwise.api.schemas.log import NoteIn, NoteOut

__all__ = ["add", "list_notes"]


def add(session: Session, installation_id: int, sent: NoteIn, now: datetime) -> NoteOut:
    """Keep a note.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    installations.get(session, installation_id, lock=True)
    row = Note(installation_id=installation_id, written_at=now, author=sent.author, text=sent.text)
    session.add(row)
    session.flush()
    return _outward(row)


def list_notes(session: Session, installation_id: int) -> list[NoteOut]:
    """Notes of an installation, the newest first."""
    query = select(Note).where(Note.installation_id == installation_id).order_by(Note.id.desc())
    return [_outward(row) for row in session.scalars(query)]


def _outward(row: Note) -> NoteOut:
    return NoteOut(id=row.id, written_at=row.written_at, author=row.author, text=row.text)
