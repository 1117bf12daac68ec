"""An installation erased, with everything that hangs on it."""

from datetime import UTC, datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from api.access.tables import Trust
from api.database import Answer, Correction, Entry, Installation, Note, Trace
from api.pool.service import withdraw_live
from api.pool.tables import Contribution, EnginePriorRow

__all__ = ["erase_installation"]


def erase_installation(session: Session, installation_id: int) -> None:
    """Remove an installation from the tables; what it left to the pool is withdrawn."""
    withdraw_live(session, installation_id, datetime.now(UTC))
    session.execute(
        update(Contribution).where(Contribution.installation_id == installation_id).values(installation_id=None)
    )
    entries = select(Entry.id).where(Entry.installation_id == installation_id)
    session.execute(delete(Correction).where(Correction.entry_id.in_(entries)))
    session.execute(delete(Trace).where(Trace.entry_id.in_(entries)))
    for table in (Entry, Note, Answer, EnginePriorRow, Trust):
        session.execute(delete(table).where(table.installation_id == installation_id))
    session.delete(session.get_one(Installation, installation_id))
    session.flush()
