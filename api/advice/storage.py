"""Queries for stored answers."""

from typing import Any

from sqlalchemy.orm import Session

from api.database import Answer

__all__ = ["get", "put"]


def get(session: Session, installation_id: int, sequence: int, seed: int, version: str) -> dict[str, Any] | None:
    """The stored answer, if it was made from exactly this."""
    row = session.get(Answer, installation_id)
    if row is None or (row.sequence, row.seed, row.model_version) != (sequence, seed, version):
        return None
    return row.document


def put(
    session: Session, installation_id: int, sequence: int, seed: int, version: str, document: dict[str, Any]
) -> None:
    """Keep an answer, unless one from a longer log is there already."""
    row = session.get(Answer, installation_id, with_for_update=True)
    if row is None:
        row = Answer(installation_id=installation_id)
        session.add(row)
    elif row.sequence > sequence:
        return
    row.sequence, row.seed, row.model_version, row.document = sequence, seed, version, document
