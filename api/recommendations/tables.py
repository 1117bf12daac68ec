"""The table of earlier fits: derived data that the next answers need, remade when missing."""

from sqlalchemy import ForeignKey, LargeBinary, String
from sqlalchemy.orm import Mapped, mapped_column

from taperwise.api.core.database import DERIVED, Base, Id

__all__ = ["EarlierFitRow"]


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
