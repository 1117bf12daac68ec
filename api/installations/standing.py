"""Where each installation stands, in one small row: what a list of a thousand of them is ranked by."""

import hashlib
import json
from typing import Any

import structlog
from sqlalchemy import Float, ForeignKey, Integer, String, event
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import Base, Document, Id

__all__ = ["Standing", "is_whole", "standing_of"]

_log = structlog.get_logger("taperwise")


class Standing(Base):
    """Beside an installation: the limits its log exceeds, and the figures of its latest answer.

    `exceeded` follows the log at once, without an answer: a list of limits, or null where no limit is exceeded. The
    other columns are null until the first answer. `state`, `seed` and `model_version` say what that answer was made
    from; `findings` counts what logger files showed and nobody acknowledged. `seal` shows a change by hand.
    """

    __tablename__ = "standings"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    exceeded: Mapped[list[Any] | None] = mapped_column(Document(list))
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
    seal: Mapped[str | None] = mapped_column(String(64))


def _figures(row: Standing) -> dict[str, Any]:
    return {column.key: getattr(row, column.key) for column in Standing.__table__.columns if column.key != "seal"}


def _seal(row: Standing) -> str:
    told = {k: float(v) if type(v) is int else v for k, v in _figures(row).items()}  # a column of floats reads 0 as 0.0
    return hashlib.sha256(json.dumps(told, default=str).encode()).hexdigest()


@event.listens_for(Standing, "before_insert")
@event.listens_for(Standing, "before_update")
def _keep_seal(_mapper: Any, _connection: Any, row: Standing) -> None:
    row.seal = _seal(row)


def is_whole(row: Standing) -> bool:
    """Whether a row is as it was stored; one that is not is logged by its number and never shown."""
    whole = row.seal == _seal(row)
    if not whole:
        _log.error("standing_damaged", installation=row.installation_id)
    return whole


def standing_of(session: Session, installation_id: int) -> Standing:
    """The row of an installation, made if it is missing, empty if it was damaged; the installation is locked."""
    session.flush()  # seals what was changed here
    row = session.get(Standing, installation_id)
    if row is not None and not is_whole(row):
        for name in _figures(row).keys() - {"installation_id"}:
            setattr(row, name, None)
    if row is None:
        row = Standing(installation_id=installation_id)
        session.add(row)
    return row
