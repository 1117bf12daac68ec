"""The table of leases: who is making which answer, until when, and how often it failed."""

from datetime import datetime

from sqlalchemy import ForeignKey, Integer, String
from sqlalchemy.orm import Mapped, mapped_column

from api.database import Base, Id, Utc

__all__ = ["Lease"]


class Lease(Base):
    """Nobody else makes this answer before `until`.

    `holder` is empty where nobody does either: making it failed, `failures` times with the log in this `state`, and it
    is left alone for a while.
    """

    __tablename__ = "leases"

    installation_id: Mapped[int] = mapped_column(Id, ForeignKey("installations.id"), primary_key=True)
    holder: Mapped[str] = mapped_column(String(64))
    until: Mapped[datetime] = mapped_column(Utc)
    state: Mapped[int] = mapped_column(Integer)
    failures: Mapped[int] = mapped_column(Integer)
