"""Queries for installations."""

import re
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, false, func, or_, select, true
from sqlalchemy.orm import Session

from taperwise.api.core.database import Installation
from taperwise.shared.errors import NotFoundError

__all__ = ["add", "get", "named", "page"]


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


def named(text: str) -> ColumnElement[bool]:
    """Whether an installation is called so: part of its name, large or small letters alike, or its number."""
    number = text.lower().removeprefix("engine ")  # what one without a name is called
    numbered = Installation.id == int(number) if re.fullmatch(r"[0-9]{1,9}", number) else false()
    return or_(Installation.document["name"].as_string().icontains(text, autoescape=True), numbered)


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
        seen = and_(seen, named(name))
    total = session.scalar(select(func.count()).select_from(Installation).where(seen)) or 0
    query = select(Installation).where(seen).order_by(Installation.id.desc()).limit(limit).offset(offset)
    return total, list(session.scalars(query))
