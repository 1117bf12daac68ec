"""Many installations at a glance: a few queries for all of them, and nothing learned."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import structlog
from sqlalchemy import Select, case, func, select
from sqlalchemy.orm import Session

from taperwise.api.core.database import Answer, Correction, Entry, Installation, Note
from taperwise.api.recommendations.repository import in_units, is_sealed
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.schemas.units import Units
from taperwise.model import MODEL_VERSION

__all__ = ["InstallationStatus", "overview"]

_log = structlog.get_logger("taperwise")


@dataclass(frozen=True)
class InstallationStatus:
    """Where an installation stands.

    Parameters
    ----------
    last_entry, last_run : datetime or None
    notes : int
    kept : SuggestionOut or None
        The answer to its log as it stands without its alternatives, if it was made already.
    """

    last_entry: datetime | None = None
    last_run: datetime | None = None
    notes: int = 0
    kept: SuggestionOut | None = None


def overview(session: Session, rows: Sequence[Installation], seed: int) -> dict[int, InstallationStatus]:
    """Where each of these installations stands, by number."""
    numbers = [row.id for row in rows]
    a_run = case((Entry.kind == "run", Entry.happened_at))
    entries = {
        found[0]: (found[1], found[2], found[3])
        for found in session.execute(
            select(Entry.installation_id, func.max(Entry.sequence), func.max(Entry.happened_at), func.max(a_run))
            .where(Entry.installation_id.in_(numbers))
            .group_by(Entry.installation_id)
        )
    }
    corrected = _counted(
        session,
        select(Entry.installation_id, func.count())
        .join_from(Correction, Entry, Entry.id == Correction.entry_id)
        .where(Entry.installation_id.in_(numbers))
        .group_by(Entry.installation_id),
    )
    notes = _counted(
        session,
        select(Note.installation_id, func.count())
        .where(Note.installation_id.in_(numbers))
        .group_by(Note.installation_id),
    )
    answers = {row.installation_id: row for row in session.scalars(_answers(numbers, seed))}
    shown = {}
    for row in rows:
        sequence, last_entry, last_run = entries.get(row.id, (0, None, None))
        answer = answers.get(row.id)
        state = sequence + corrected.get(row.id, 0)
        fresh = answer is not None and answer.sequence == state and is_sealed(answer)
        units = _units(row)
        kept = in_units(answer.document, units, brief=True) if answer is not None and fresh else None
        shown[row.id] = InstallationStatus(last_entry, last_run, notes.get(row.id, 0), kept)
    return shown


def _units(row: Installation) -> Units:
    """Those it prefers; the usual ones where somebody changed them in the database, so that the others are shown."""
    try:
        return Units.model_validate(row.document.get("units") or {})
    except (AttributeError, ValueError):
        _log.error("stored_installation_damaged", installation=row.id)
        return Units()


def _counted(session: Session, query: Select[int, int]) -> dict[int, int]:
    return {found[0]: found[1] for found in session.execute(query)}


def _answers(numbers: list[int], seed: int) -> Select[Answer]:
    return select(Answer).where(
        Answer.installation_id.in_(numbers), Answer.seed == seed, Answer.model_version == MODEL_VERSION
    )
