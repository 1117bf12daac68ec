"""Corrections: kept beside the entry they correct, which stays as it was sent."""

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from taperwise.api.installations import repository as installations
from taperwise.api.installations.stored import installation_of
from taperwise.api.log import repository
from taperwise.api.log.service import refresh_stop, to_response
from taperwise.api.schemas.log import AirOut, CorrectionIn, EntryOut
from taperwise.shared.errors import InvalidValueError, NotFoundError
from taperwise.shared.records import ChangeNeedle

__all__ = ["record_correction"]


def record_correction(session: Session, installation_id: int, sequence: int, sent: CorrectionIn) -> EntryOut:
    """Keep a correction beside the entry it corrects.

    Raises
    ------
    NotFoundError, InvalidValueError
        If there is no such entry, or the correction is of another kind or cannot be used.
    """
    owner = installation_of(installations.get(session, installation_id, lock=True))
    row = repository.entry(session, installation_id, sequence)
    if row is None:
        raise NotFoundError("Entry not found", field="sequence", value=sequence, cure="Check the number in the log.")
    kind = "run" if sent.run is not None else "adjustment" if sent.adjustment is not None else row.kind
    if row.kind == "set_up":
        raise InvalidValueError(
            "a change of the set-up stays in the history", field="sequence", value=sequence,
            cure="Change the set-up once more.",
        )  # fmt: skip
    if kind != row.kind:
        raise InvalidValueError(
            f"A correction cannot change the kind of this entry ({row.kind})",
            field=kind,
            value=f"entry {sequence}",
            cure=f"Give the correct {row.kind}, or void this entry and record another one.",
        )
    replacement = sent.run or sent.adjustment
    if sent.run is not None:
        AirOut.of(sent.run.record(owner.elevation).air, owner.units)
    if sent.adjustment is not None:
        fitted = sent.adjustment.record()
        if isinstance(fitted, ChangeNeedle):
            owner.record().needle(fitted.needle)
    document = None if replacement is None else replacement.model_dump(mode="json", exclude_none=True)
    repository.keep_correction(session, row.id, datetime.now(UTC), sent.reason, document)
    refresh_stop(session, installation_id)  # the log has to hold together afterwards too
    read = repository.readings(session, installation_id).get(row.id, [])
    return to_response(row, owner, repository.corrections(session, installation_id)[row.id], read)
