"""Queries for installations."""

from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.database import Installation
from shared.errors import NotFoundError

__all__ = ["add", "get", "page"]


def add(session: Session, document: dict[str, Any], now: datetime) -> Installation:
    """Store an installation."""
    row = Installation(created_at=now, document=document)
    session.add(row)
    session.flush()
    return row


def get(session: Session, installation_id: int, *, lock: bool = False) -> Installation:
    """One installation, locked against other writers if asked.

    Raises
    ------
    NotFoundError
        If there is none under that number.
    """
    query = select(Installation).where(Installation.id == installation_id)
    row = session.scalars(query.with_for_update() if lock else query).one_or_none()
    if row is None:
        raise NotFoundError(
            "no such installation", field="installation_id", value=installation_id, cure="Set it up first."
        )
    return row


def page(session: Session, limit: int, offset: int) -> tuple[int, list[Installation]]:
    """How many there are, and some of them, the newest first."""
    total = session.scalar(select(func.count()).select_from(Installation)) or 0
    rows = session.scalars(select(Installation).order_by(Installation.id.desc()).limit(limit).offset(offset))
    return total, list(rows)
