"""Queries for the log."""

from datetime import datetime
from typing import Any

from sqlalchemy import Select, String, cast, func, select
from sqlalchemy.orm import Session

from taperwise.api.core.database import Correction, Entry, Trace
from taperwise.api.installations.stored import as_stored

__all__ = [
    "append",
    "corrections",
    "entries",
    "entry",
    "entry_numbers",
    "keep_correction",
    "keep_trace",
    "last_sequence",
    "latest",
    "latest_run",
    "readings",
    "remembered_mapping",
    "trace",
    "traced",
]


def latest(session: Session, installation_id: int) -> Entry | None:
    """The last entry, if there is one."""
    query = select(Entry).where(Entry.installation_id == installation_id).order_by(Entry.sequence.desc()).limit(1)
    return session.scalars(query).one_or_none()


def latest_run(session: Session, installation_id: int) -> Entry | None:
    """The last run, if there is one."""
    query = select(Entry).where(Entry.installation_id == installation_id, Entry.kind == "run")
    return session.scalars(query.order_by(Entry.sequence.desc()).limit(1)).one_or_none()


def last_sequence(session: Session, installation_id: int) -> int:
    """Number of the last entry; 0 where there is none."""
    query = select(func.max(Entry.sequence)).where(Entry.installation_id == installation_id)
    return session.scalar(query) or 0


def entries(session: Session, installation_id: int) -> list[Entry]:
    """All entries in order."""
    query = select(Entry).where(Entry.installation_id == installation_id).order_by(Entry.sequence)
    return list(session.scalars(query))


def entry_numbers(installation_id: int) -> Select[str]:
    """The numbers of an installation's entries as text, as the record of changes holds them."""
    return select(cast(Entry.id, String)).where(Entry.installation_id == installation_id)


def entry(session: Session, installation_id: int, sequence: int) -> Entry | None:
    """One entry by its number, if it is there."""
    query = select(Entry).where(Entry.installation_id == installation_id, Entry.sequence == sequence)
    return session.scalars(query).one_or_none()


def corrections(session: Session, installation_id: int) -> dict[int, list[Correction]]:
    """Corrections of an installation's entries by the entry's id, in the order in which they were made."""
    query = (
        select(Correction)
        .join(Entry, Entry.id == Correction.entry_id)
        .where(Entry.installation_id == installation_id)
        .order_by(Correction.id)
    )
    found: dict[int, list[Correction]] = {}
    for row in session.scalars(query):
        found.setdefault(row.entry_id, []).append(row)
    return found


def keep_correction(
    session: Session, entry_id: int, recorded_at: datetime, reason: str, document: dict[str, Any] | None
) -> None:
    """Keep a correction."""
    session.add(Correction(entry_id=entry_id, recorded_at=recorded_at, reason=reason, document=document))
    session.flush()


def append(
    session: Session, installation_id: int, sequence: int, kind: str, document: dict[str, Any],
    happened_at: datetime, recorded_at: datetime,
) -> Entry:  # fmt: skip
    """Append an entry."""
    row = Entry(
        installation_id=installation_id,
        sequence=sequence,
        kind=kind,
        document=document,
        happened_at=happened_at,
        recorded_at=recorded_at,
    )
    session.add(row)
    session.flush()
    return row


def keep_trace(session: Session, entry_id: int, sent: dict[str, Any], read: list[Any]) -> None:
    """Keep the trace of a run."""
    session.add(Trace(entry_id=entry_id, sent=sent, read=read))


def trace(session: Session, installation_id: int, sequence: int) -> dict[str, Any] | None:
    """The trace that came with an entry, as it was sent."""
    query = select(Trace.sent).join(Entry, Entry.id == Trace.entry_id)
    query = query.where(Entry.installation_id == installation_id, Entry.sequence == sequence)
    return session.scalars(query).one_or_none()


def traced(session: Session, installation_id: int) -> list[int]:
    """Numbers of the entries that came with a trace."""
    query = select(Entry.sequence).join(Trace, Entry.id == Trace.entry_id)
    return list(session.scalars(query.where(Entry.installation_id == installation_id).order_by(Entry.sequence)))


def readings(session: Session, installation_id: int) -> dict[int, list[Any]]:
    """What was read from the traces of an installation, by the entry's id; one item a sweep."""
    query = select(Trace.entry_id, Trace.read).join(Entry, Entry.id == Trace.entry_id)
    with as_stored("logger files", installation_id):
        return dict(session.execute(query.where(Entry.installation_id == installation_id)).all())


def remembered_mapping(session: Session, installation_id: int) -> dict[str, Any] | None:
    """The mapping sent with the latest trace of an installation that had one."""
    query = (
        select(Trace.sent)
        .join(Entry, Entry.id == Trace.entry_id)
        .where(Entry.installation_id == installation_id)
        .order_by(Entry.sequence.desc())
    )
    for sent in session.scalars(query):
        mapping: dict[str, Any] | None = sent.get("mapping")
        if mapping is not None:
            return mapping
    return None
