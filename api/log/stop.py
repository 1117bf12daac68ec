"""A stop: the log exceeds a limit of the engine, and nobody has recorded the cause yet.

It follows from the log alone, so it stands the moment a run is recorded, before any answer is made.
"""

from collections.abc import Sequence

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from taperwise.api.core.database import Installation as InstallationRow
from taperwise.api.installations.standing import Standing, standing_of
from taperwise.api.presentation.stop_text import stop_sentence
from taperwise.api.schemas.units import Units
from taperwise.model.inference import dataset
from taperwise.shared.reasons import Exceeded
from taperwise.shared.records import Entry, Installation

__all__ = ["exceeded_in", "keep_stop", "stop_words"]

_EXCEEDED: TypeAdapter[tuple[Exceeded, ...]] = TypeAdapter(tuple[Exceeded, ...])


def exceeded_in(installation: Installation, entries: Sequence[Entry]) -> tuple[Exceeded, ...]:
    """Limits that a log exceeds and whose cause nobody has recorded; empty where there is no stop."""
    if not entries:
        return ()
    from taperwise.model.design.limit_check import limit_action  # loads a second of numerics, which lists do without

    action = limit_action(dataset.gather(installation, entries))
    return () if action is None or action.inspection is None else action.inspection.exceeded


def keep_stop(
    session: Session, installation_id: int, installation: Installation, entries: Sequence[Entry]
) -> tuple[Exceeded, ...]:
    """Keep what a log exceeds where lists find it; the installation is locked.

    To be called after each change of the log or of a limit: `taperwise.api.log.service.refresh_stop` does.
    """
    found = exceeded_in(installation, entries)
    standing_of(session, installation_id).exceeded = _EXCEEDED.dump_python(found, mode="json") or None
    session.flush()
    return found


def stop_words(session: Session, installation_id: int) -> str:
    """The stop of an installation in words; empty where there is none. One small row is read."""
    exceeded = session.scalar(select(Standing.exceeded).where(Standing.installation_id == installation_id))
    if not exceeded:
        return ""
    document = session.scalar(select(InstallationRow.document).where(InstallationRow.id == installation_id))
    try:
        units = Units.model_validate((document or {}).get("units", {}))
    except ValidationError:
        units = Units()  # a page that says what is damaged has the stop, too
    return stop_sentence(_EXCEEDED.validate_python(exceeded), units)
