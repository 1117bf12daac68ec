"""Queries for notes."""

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.database import Note
from api.installations import storage as installations
from api.wire.notes import NoteIn, NoteOut

__all__ = ["add", "counts", "of"]


def add(session: Session, installation_id: int, sent: NoteIn, now: datetime) -> NoteOut:
    """Keep a note.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    installations.get(session, installation_id)
    row = Note(installation_id=installation_id, written_at=now, author=sent.author, text=sent.text)
    session.add(row)
    session.flush()
    return _outward(row)


def of(session: Session, installation_id: int) -> list[NoteOut]:
    """Notes of an installation, the newest first."""
    query = select(Note).where(Note.installation_id == installation_id).order_by(Note.id.desc())
    return [_outward(row) for row in session.scalars(query)]


def counts(session: Session) -> dict[int, int]:
    """How many notes there are, by installation."""
    rows = session.execute(select(Note.installation_id, func.count()).group_by(Note.installation_id))
    return {row[0]: row[1] for row in rows}


def _outward(row: Note) -> NoteOut:
    return NoteOut(id=row.id, written_at=row.written_at, author=row.author, text=row.text)
