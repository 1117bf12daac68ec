"""Queries for installations."""

import re
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, false, func, or_, select, true
from sqlalchemy.orm import Session

from taperwise.api.core.database import Installation
from taperwise.shared.errors import NotFoundError

__all__ = ["add", "get", "page"]


def add(session: Session, document: dict[str, Any], now: datetime, owner_id: int | None = None) -> Installation:
    """Store an installation."""
    row = Installation(created_at=now, document=document, owner_id=owner_id)
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
            "Engine not found",
            field="installation_id",
            value=installation_id,
            cure="Check the number, or set up the engine first.",
        )
    return row


def page(
    session: Session, limit: int, offset: int, visible: ColumnElement[bool] | None = None, name: str = ""
) -> tuple[int, list[Installation]]:
    """How many there are, and some of them, the newest first; only those that are visible to whoever asks.

    Parameters
    ----------
    name : str
        Part of the name, large or small letters alike, or the number; empty for all.
    """
    seen = true() if visible is None else visible
    if name:
        named = Installation.document["name"].as_string().icontains(name, autoescape=True)
        number = name.lower().removeprefix("installation ")  # what one without a name is called
        numbered = Installation.id == int(number) if re.fullmatch(r"[0-9]{1,9}", number) else false()
        seen = and_(seen, or_(named, numbered))
    total = session.scalar(select(func.count()).select_from(Installation).where(seen)) or 0
    query = select(Installation).where(seen).order_by(Installation.id.desc()).limit(limit).offset(offset)
    return total, list(session.scalars(query))
