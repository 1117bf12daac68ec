"""Who changed what: kept by the database session itself, in the same transaction as the change."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Select, insert, inspect, select
from sqlalchemy import event as sa_event
from sqlalchemy.orm import Session

from taperwise.api.accounts.principal import current
from taperwise.api.accounts.tables import Change, Person

__all__ = ["WATCHED", "latest", "makers", "watch"]

WATCHED = frozenset(
    {"installations", "entries", "corrections", "notes", "people", "keys", "trusts", "pool_contributions",
     "engine_priors", "offers", "invitations", "photos"}
)  # fmt: skip
"""Tables whose changes are kept: what people said or decided, not what was worked out from it."""


def watch(session: Session) -> None:
    """Keep what this session changes."""
    sa_event.listen(session, "after_flush", _keep)


def _keep(session: Session, _context: Any) -> None:
    import structlog  # brings templates along, which a command that only reads does without

    changed = [obj for obj in session.dirty if session.is_modified(obj)]
    groups = (("made", session.new), ("changed", changed), ("removed", session.deleted))
    caller, now = current(), datetime.now(UTC)
    request_id = structlog.contextvars.get_contextvars().get("request_id")
    rows = [
        {
            "at": now,
            "person_id": caller.person_id,
            "by": caller.how,
            "what": obj.__tablename__,
            "number": ", ".join(
                str(part) for part in inspect(obj).identity or inspect(obj).mapper.primary_key_from_instance(obj)
            ),
            "how": how,
            "request_id": request_id,
        }
        for how, group in groups
        for obj in group
        if obj.__tablename__ in WATCHED
    ]
    if rows:
        session.execute(insert(Change), rows)


def latest(session: Session, limit: int, before: int | None = None) -> list[Change]:
    """Changes, the latest first, below a number if one is given."""
    query = select(Change).order_by(Change.id.desc()).limit(limit)
    return list(session.scalars(query if before is None else query.where(Change.id < before)))


def makers(session: Session, table: str, numbers: Select[Any]) -> dict[int, str]:
    """Who made rows of a table, by their number; those of people who are gone, or without sign-in, are left out.

    Parameters
    ----------
    table : str
        One of `WATCHED` whose rows have one number.
    numbers : Select
        The numbers of the rows, as text.
    """
    query = select(Change.number, Person.name).join(Person, Person.id == Change.person_id)
    query = query.where(Change.what == table, Change.how == "made", Change.number.in_(numbers))
    return {int(number): name for number, name in session.execute(query) if name}
