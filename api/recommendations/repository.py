"""Stored answers, and the earlier fits that the next ones need: their table and the queries for both."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import ForeignKey, LargeBinary, String, delete, func, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import DERIVED, Answer, Base, Id
from taperwise.api.installations.standing import Standing, is_whole, standing_of
from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.recommendations.seal import SEAL, is_sealed, seal
from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.schemas.units import Units
from taperwise.shared.recommendation import Suggestion

__all__ = [
    "EarlierFitRow",
    "answered",
    "as_document",
    "earlier_fits",
    "get",
    "in_units",
    "keep_earlier_fits",
    "put",
    "standing_is_whole",
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
    return row.document if is_sealed(row) and standing_is_whole(session, installation_id) else None


def standing_is_whole(session: Session, installation_id: int) -> bool:
    """Whether the figures for lists, if there are any, are as they were stored; else the answer is made again."""
    standing = session.get(Standing, installation_id)
    return standing is None or is_whole(standing)


def answered(session: Session, installation_id: int, sequence: int, seed: int, version: str) -> bool:
    """Whether the stored answer was made from exactly this; it is not read for it."""
    query = select(Answer.sequence, Answer.seed, Answer.model_version).where(Answer.installation_id == installation_id)
    return session.execute(query).one_or_none() == (sequence, seed, version)


def put(
    session: Session, installation_id: int, sequence: int, seed: int, version: str, document: dict[str, Any],
    findings: int = 0,
) -> None:  # fmt: skip
    """Keep an answer with its figures for lists, unless one from a longer log is there already.

    Parameters
    ----------
    findings : int
        What logger files showed and nobody acknowledged yet.
    """
    row = session.get(Answer, installation_id, with_for_update=True)
    if row is None:
        row = Answer(installation_id=installation_id)
        session.add(row)
    elif row.sequence > sequence:
        return
    row.sequence, row.seed, row.model_version = sequence, seed, version
    row.document = document | {SEAL: seal(row, document)}
    _put_standing(session, installation_id, row, findings)


def _put_standing(session: Session, installation_id: int, answer: Answer, findings: int) -> None:
    """Keep the few figures of an answer that lists show; none of an answer that cannot be read."""
    made = suggestion_of(answer.document, brief=True)
    if made is None:
        return
    row, c = standing_of(session, installation_id), made.confidence
    cause, finish = made.action.cause, made.runs_to_finish
    row.state, row.seed, row.model_version = answer.sequence, answer.seed, answer.model_version
    row.stage, row.cause = str(made.stage), None if cause is None else str(cause)
    row.chance_both, row.lean_chance, row.doubt = c.chance_both, c.lean_chance, c.doubt
    row.converged, row.runs, row.findings = made.provenance.diagnostics.converged, c.runs, findings
    row.runs_to_finish = None if finish is None else finish.expected


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
    told = {name: value for name, value in kept.items() if name != SEAL}
    try:
        return _SUGGESTION.validate_python(told | {"alternatives": []} if brief else told)
    except ValidationError:
        return None
