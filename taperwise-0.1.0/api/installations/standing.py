"""Where each installation stands, in one small row: what a list of a thousand of them is ranked by."""

from typing import Any

from sqlalchemy import JSON, Float, ForeignKey, Integer, String
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import Base, Id

__all__ = ["Standing", "standing_of"]


class Standing(Base):
    """Beside an installation: the limits its log exceeds, and the figures of its latest answer.

    `exceeded` follows the log at once, without an answer: a list of limits, or null where no limit is exceeded. The
    other columns are null until the first answer. `state`, `seed` and `model_version` say what that answer was made
    from; `findings` counts what logger files showed and nobody acknowledged.
    """

    __tablename__ = "standings"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    exceeded: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))
    state: Mapped[int | None] = mapped_column(Integer)
    seed: Mapped[int | None] = mapped_column(Id)
    model_version: Mapped[str | None] = mapped_column(String(20))
    stage: Mapped[str | None] = mapped_column(String(20))
    cause: Mapped[str | None] = mapped_column(String(30))
    chance_both: Mapped[float | None] = mapped_column(Float)
    lean_chance: Mapped[float | None] = mapped_column(Float)
    doubt: Mapped[float | None] = mapped_column(Float)
    converged: Mapped[bool | None]
    runs: Mapped[int | None] = mapped_column(Integer)
    runs_to_finish: Mapped[float | None] = mapped_column(Float)
    findings: Mapped[int | None] = mapped_column(Integer)


def standing_of(session: Session, installation_id: int) -> Standing:
    """The row of an installation, made if it is missing; the installation is locked."""
    row = session.get(Standing, installation_id)
    if row is None:
        row = Standing(installation_id=installation_id)
        session.add(row)
    return row
