"""Stored answers, and the earlier fits that the next ones need: their table and the queries for both."""

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import structlog
from pydantic import TypeAdapter, ValidationError
from sqlalchemy import ForeignKey, LargeBinary, String, delete, func, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import DERIVED, Answer, Base, Id
from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.schemas.units import Units
from taperwise.shared.recommendation import Suggestion

__all__ = [
    "EarlierFitRow",
    "as_document",
    "earlier_fits",
    "get",
    "in_units",
    "is_sealed",
    "keep_earlier_fits",
    "put",
    "suggestion_of",
]


class EarlierFitRow(Base):
    """A few draws of the fit of an installation's log up to one of its runs.

    `key` digests all that the fit depends on (log, prior, seed, model version), so a row is never out of date; a
    correction only leaves rows behind that nobody asks for any more.
    """

    __tablename__ = "earlier_fits"
    __table_args__ = {"info": {DERIVED: True}}  # noqa: RUF012 - SQLAlchemy's own way of declaring it

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    content: Mapped[bytes] = mapped_column(LargeBinary)


def get(session: Session, installation_id: int, sequence: int, seed: int, version: str) -> dict[str, Any] | None:
    """The stored answer, if it was made from exactly this."""
    row = session.get(Answer, installation_id)
    if row is None or (row.sequence, row.seed, row.model_version) != (sequence, seed, version):
        return None
    return row.document if is_sealed(row) else None


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
    row.sequence, row.seed, row.model_version = sequence, seed, version
    row.document = document | {_SEAL: _seal(row, document)}


def is_sealed(row: Answer) -> bool:
    """Whether a stored answer is as it was stored; one that is not is logged by its number and never shown."""
    whole = row.document.get(_SEAL) == _seal(row, row.document)
    if not whole:
        _log.error("stored_answer_damaged", installation=row.installation_id)
    return whole


def _seal(row: Answer, document: dict[str, Any]) -> str:
    """Digest of an answer and of what it belongs to: no secret, so it keeps from slips and not from forgers."""
    told = {name: value for name, value in document.items() if name != _SEAL}
    whole = json.dumps([row.installation_id, row.sequence, row.seed, row.model_version, told], sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()


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


_SEAL = "seal"
_log = structlog.get_logger("taperwise")
_SUGGESTION: TypeAdapter[Suggestion] = TypeAdapter(Suggestion)


def as_document(suggestion: Suggestion) -> dict[str, Any]:
    """What to keep of an answer."""
    document: dict[str, Any] = _SUGGESTION.dump_python(suggestion, mode="json")
    return document


def in_units(
    kept: dict[str, Any] | None, units: Units, findings: Sequence[FindingOut] = (), *, brief: bool = False
) -> SuggestionOut | None:
    """A kept answer as it is shown; None where it was kept by a release whose answers looked different.

    Parameters
    ----------
    kept : dict or None
        As `as_document` made it.
    units : Units
    findings : sequence of FindingOut
        What logger files showed, as far as it is open.
    brief : bool
        Whether the alternatives, which hold most of the figures, are left out: a list shows a hundred answers.
    """
    found = suggestion_of(kept, brief=brief)
    return None if found is None else suggestion_out(found, units, findings)


def suggestion_of(kept: dict[str, Any] | None, *, brief: bool = False) -> Suggestion | None:
    """A kept answer; None where it was kept by a release whose answers looked different."""
    if kept is None:
        return None
    told = {name: value for name, value in kept.items() if name != _SEAL}
    try:
        return _SUGGESTION.validate_python(told | {"alternatives": []} if brief else told)
    except ValidationError:
        return None
