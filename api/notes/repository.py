"""Queries for notes."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from taperwise.api.core.database import Note
from taperwise.api.core.idempotency import require_same_payload
from taperwise.api.installations import repository as installations
from taperwise.api.schemas.notes import NoteIn, NoteOut

__all__ = ["add", "list_notes"]


def add(session: Session, installation_id: int, sent: NoteIn, now: datetime, client_id: str | None = None) -> NoteOut:
    """Keep a note; one that came before under the same id is kept once.

    Raises
    ------
    NotFoundError, ReusedKeyError
        If there is no such installation, or the id is another note's.
    """
    installations.get(session, installation_id, lock=True)
    earlier = None if client_id is None else _by_client(session, installation_id, client_id)
    if earlier is not None:
        require_same_payload((earlier.author, earlier.text) == (sent.author, sent.text), client_id, "a note")
        return _outward(earlier)
    row = Note(installation_id=installation_id, written_at=now, author=sent.author, text=sent.text, client_id=client_id)
    session.add(row)
    session.flush()
    return _outward(row)


def _by_client(session: Session, installation_id: int, client_id: str) -> Note | None:
    query = select(Note).where(Note.installation_id == installation_id, Note.client_id == client_id)
    return session.scalars(query).one_or_none()


def list_notes(session: Session, installation_id: int) -> list[NoteOut]:
    """Notes of an installation, the newest first."""
    query = select(Note).where(Note.installation_id == installation_id).order_by(Note.id.desc())
    return [_outward(row) for row in session.scalars(query)]


def _outward(row: Note) -> NoteOut:
    return NoteOut(id=row.id, written_at=row.written_at, author=row.author, text=row.text)
