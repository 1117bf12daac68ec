"""Which answers are to be made: found in the data by one query, for the worker and for a refit alike."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Integer, Select, func, or_, select
from sqlalchemy.orm import Session, aliased

from taperwise.api.core.database import Answer, Correction, Entry, Installation
from taperwise.model import MODEL_VERSION

__all__ = ["Waiting", "queue_stats", "recorded_at", "stale"]


@dataclass(frozen=True)
class Waiting:
    """An installation whose answer is to be made.

    Parameters
    ----------
    installation_id : int
    state : int
        How far its log has come, as `taperwise.api.log.service.state_of` counts.
    """

    installation_id: int
    state: int


def _waiting(seed: int) -> tuple[Select[int, int], Any]:
    """All that wait, and the number of their last entry.

    An installation waits that has an entry or an answer, unless the answer is of this model, this seed and the log as
    it stands. Each table is gone through once, along its index.
    """
    last = select(Entry.installation_id, func.max(Entry.sequence).label("number")).group_by(Entry.installation_id)
    entries = last.subquery("entries_so_far")
    counted = (
        select(Entry.installation_id, func.count().label("number"))
        .join_from(Correction, Entry, Entry.id == Correction.entry_id)
        .group_by(Entry.installation_id)
    )
    corrected = counted.subquery("corrections_so_far")
    number = func.coalesce(entries.c.number, 0, type_=Integer)
    state = (number + func.coalesce(corrected.c.number, 0, type_=Integer)).label("state")
    query = (
        select(Installation.id, state)
        .outerjoin(entries, entries.c.installation_id == Installation.id)
        .outerjoin(corrected, corrected.c.installation_id == Installation.id)
        .outerjoin(Answer, Answer.installation_id == Installation.id)
        .where(or_(entries.c.number.is_not(None), Answer.sequence.is_not(None)))
        .where(
            or_(
                Answer.sequence.is_(None),
                Answer.sequence != state,
                Answer.seed != seed,
                Answer.model_version != MODEL_VERSION,
            )
        )
        .order_by(Installation.id)
    )
    return query, number


def stale(session: Session, seed: int) -> list[Waiting]:
    """All that wait."""
    query, _ = _waiting(seed)
    return [Waiting(number, state) for number, state in session.execute(query)]


def recorded_at(session: Session, installation_id: int) -> datetime | None:
    """When something was last recorded there."""
    entries = select(Entry.recorded_at).where(Entry.installation_id == installation_id)
    corrected = (
        select(Correction.recorded_at)
        .join(Entry, Entry.id == Correction.entry_id)
        .where(Entry.installation_id == installation_id)
    )
    found = [
        session.scalar(entries.order_by(Entry.sequence.desc()).limit(1)),
        session.scalar(corrected.order_by(Correction.id.desc()).limit(1)),
    ]
    return max((each for each in found if each is not None), default=None)


def queue_stats(session: Session, seed: int) -> tuple[int, datetime | None]:
    """How many wait, and when the latest entry of the one that waits longest was recorded."""
    query, number = _waiting(seed)
    latest = aliased(Entry)
    dated = query.outerjoin(latest, (latest.installation_id == Installation.id) & (latest.sequence == number))
    columns = dated.order_by(None).with_only_columns(func.count(), func.min(latest.recorded_at))
    count, since = session.execute(columns).one()
    return count, since
