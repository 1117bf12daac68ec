"""Leases: taken by one, let go when the work is done, run out when whoever held it is gone."""

from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.advice import storage as answers
from api.database import Correction, Entry, Installation
from api.jobs.tables import Lease
from api.jobs.waiting import Waiting
from api.log import service as log
from model import MODEL_VERSION

__all__ = ["let_go", "put_off", "recorded_at", "take"]

_FIRST_PAUSE, _LONGEST_PAUSE = timedelta(seconds=10), timedelta(hours=1)


def take(session: Session, work: Waiting, seed: int, holder: str, now: datetime, until: datetime) -> bool:
    """Take the lease on an answer, if it is still to be had and still to be made.

    An installation whose row somebody is changing is left for the next time; nobody waits here.
    """
    query = select(Installation.id).where(Installation.id == work.installation_id)
    if session.scalars(query.with_for_update(skip_locked=True)).one_or_none() is None:
        return False
    state = log.state_of(session, work.installation_id)
    if state != work.state or answers.get(session, work.installation_id, state, seed, MODEL_VERSION) is not None:
        return False
    lease = session.get(Lease, work.installation_id)
    if lease is None:
        lease = Lease(installation_id=work.installation_id, holder="", until=now, state=state, failures=0)
        session.add(lease)
    elif lease.until > now and (lease.holder or lease.state == state):
        return False
    if lease.state != state:
        lease.failures = 0  # another log: it may well succeed
    lease.holder, lease.until, lease.state = holder, until, state
    return True


def let_go(session: Session, installation_id: int, holder: str) -> None:
    """Let go of a lease; one that ran out and was taken by somebody else stays theirs."""
    lease = session.get(Lease, installation_id, with_for_update=True)
    if lease is not None and lease.holder == holder:
        session.delete(lease)


def put_off(session: Session, installation_id: int, holder: str, now: datetime) -> datetime | None:
    """After a failure: let go, and leave it alone for a while, twice as long each time, an hour at the most.

    Returns
    -------
    datetime or None
        Until when; None where somebody else holds it by now.
    """
    lease = session.get(Lease, installation_id, with_for_update=True)
    if lease is None or lease.holder != holder:
        return None
    lease.holder, lease.until = "", now + min(_FIRST_PAUSE * 2 ** min(lease.failures, 16), _LONGEST_PAUSE)
    lease.failures += 1
    return lease.until


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
