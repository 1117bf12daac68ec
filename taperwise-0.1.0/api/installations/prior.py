"""The prior an installation started from, as it was kept: the same log gives the same answer, whatever came later."""

from typing import Any, TypeGuard

from sqlalchemy import JSON, ForeignKey, Integer
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import Base, Id
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.population.scale import FIRST_SCALE, SCALE

__all__ = ["EnginePriorRow", "in_our_scale", "parsed", "prior_from_document", "prior_of", "prior_row", "put_prior"]


class EnginePriorRow(Base):
    """The prior an installation started from; no document: the expert's."""

    __tablename__ = "engine_priors"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    version: Mapped[int | None] = mapped_column(Integer)
    document: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


def prior_row(session: Session, installation_id: int) -> EnginePriorRow | None:
    """The prior an installation started from."""
    return session.get(EnginePriorRow, installation_id)


def put_prior(session: Session, installation_id: int, version: int | None, document: dict[str, Any] | None) -> None:
    """Keep the prior an installation starts from."""
    row = session.get(EnginePriorRow, installation_id)
    if row is None:
        row = EnginePriorRow(installation_id=installation_id)
        session.add(row)
    row.version, row.document = version, document
    session.flush()


def prior_of(row: EnginePriorRow | None) -> EnginePrior:
    """The prior of a kept row; the expert's where there is none."""
    return prior_from_document(None if row is None else row.document)


def prior_from_document(document: dict[str, Any] | None) -> EnginePrior:
    """The prior of a kept document; the expert's where there is none, or none in units of this release."""
    return EXPERT if document is None or not in_our_scale(document) else parsed(document)


def parsed(document: dict[str, Any]) -> EnginePrior:
    """The prior of a document, in whatever units it is told.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is none.
    """
    root = tuple(tuple(map(float, each)) for each in document["root"])
    odd = float(document.get("odd", 0.0))  # kept before there was one: none
    return EnginePrior(tuple(map(float, document["centre"])), root, odd)


def in_our_scale(document: dict[str, Any] | None) -> TypeGuard[dict[str, Any]]:
    """Whether a kept document is there and in the units of this release."""
    return document is not None and document.get("scale", FIRST_SCALE) == SCALE
