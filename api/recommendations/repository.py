"""Queries for stored answers, and for the earlier fits that the next ones need."""

from collections.abc import Collection, Mapping
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from taperwise.api.core.database import Answer
from taperwise.api.recommendations.tables import EarlierFitRow

__all__ = ["earlier_fits", "get", "keep_earlier_fits", "put"]


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


def earlier_fits(session: Session, installation_id: int, keys: Collection[str]) -> dict[str, bytes]:
    """Those of these fits that are stored, by key."""
    query = select(EarlierFitRow.key, EarlierFitRow.content).where(
        EarlierFitRow.installation_id == installation_id, EarlierFitRow.key.in_(keys)
    )
    return dict(session.execute(query).all())


def keep_earlier_fits(
    session: Session, installation_id: int, made: Mapping[str, bytes], needed: Collection[str], most: int
) -> None:
    """Keep fits; the installation is locked. With more than `most` of them, those that are not needed go.

    Parameters
    ----------
    needed : collection of str
        Keys of those that the log as it is needs, beside the ones made.
    """
    mine = EarlierFitRow.installation_id == installation_id
    for key, content in made.items():  # over one that was damaged, too
        session.merge(EarlierFitRow(installation_id=installation_id, key=key, content=content))
    session.flush()
    if (session.scalar(select(func.count()).select_from(EarlierFitRow).where(mine)) or 0) > most:
        session.execute(delete(EarlierFitRow).where(mine, EarlierFitRow.key.not_in({*made, *needed})))
