"""Queries for installations."""

import re
from datetime import datetime
from typing import Any

from sqlalchemy import Boolean, ColumnElement, and_, case, false, func, or_, select, true
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import Session
from sqlalchemy.sql.functions import GenericFunction

from taperwise.api.core.database import Installation
from taperwise.shared.errors import NotFoundError

__all__ = ["NAME", "READABLE", "add", "get", "named", "page"]


class json_valid(GenericFunction[bool]):  # noqa: N801 - as SQLite calls it
    """Whether a column holds JSON: SQLite refuses a whole query where one row does not."""

    type = Boolean()
    inherit_cache = True


@compiles(json_valid, "postgresql")
def _always(*_: Any, **__: Any) -> str:
    return "true"  # its columns hold nothing else


READABLE = json_valid(Installation.document)
"""Whether an installation's document is JSON at all."""

NAME: ColumnElement[str] = case((READABLE, Installation.document["name"].as_string()))
"""What an installation is called, if it has a name."""


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
    return or_(NAME.icontains(text, autoescape=True), numbered)


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
