"""An installation as a parcel: everything that is stored of it, to be unpacked elsewhere exactly as it was."""

import base64
import hashlib
import json
import math
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError
from sqlalchemy.orm import Session

from taperwise.api.accounts import repository as people
from taperwise.api.core.database import Correction, Entry, Note, Trace
from taperwise.api.core.validation_errors import refusal
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import parsed, prior_row, put_prior
from taperwise.api.log import photos, repository, service
from taperwise.api.log.photos import Photo
from taperwise.api.pooling.service import is_shared, prior_out
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import SweepOut
from taperwise.api.schemas.quantities import Whole, Wire
from taperwise.api.schemas.run import RunIn, TraceIn
from taperwise.api.schemas.set_up import SetUpEntry
from taperwise.api.schemas.timestamps import Time
from taperwise.model.inference.engine_prior import POOLED
from taperwise.shared.errors import InvalidValueError

__all__ = ["Archive", "pack", "sealed", "unpack"]

_CURE = "Export the engine again, and import the whole file."


def _aware(value: datetime) -> datetime:
    return value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)


Moment = Annotated[Time, AfterValidator(_aware)]
Document = dict[str, Any]
"""A document as it is stored; checked as what it is when the parcel is unpacked."""


class CorrectionPacked(Wire):
    """A correction. Without document, the entry was voided."""

    recorded_at: Moment = Field(description="Moment at which the correction was saved (UTC).")
    reason: str = Field(min_length=3, max_length=500, description="Reason for the correction.")
    document: Annotated[Document, Field(title="Document")] | None = Field(
        None, description="The corrected entry. Null: the entry was voided."
    )


class TracePacked(Wire):
    """A logger file as sent, with its readings."""

    sent: Document = Field(description="Logger file as sent.")
    read: list[Document] = Field(description="Readings of the logger file, one a sweep.")


class PhotoPacked(Wire):
    """A photo of a run."""

    added_at: Moment = Field(description="Moment at which the photo was saved (UTC).")
    image: str = Field(min_length=1, max_length=4_000_000, description="The photo as JPEG, in base64.")


Kind = Literal["run", "adjustment", "acknowledged", "set_up"]


class EntryPacked(Wire):
    """An entry with its corrections and logger file."""

    kind: Kind = Field(description="Kind of entry; `acknowledged` is a cause.")
    happened_at: Moment = Field(description="Moment of the entry (UTC).")
    recorded_at: Moment = Field(description="Moment at which the entry was saved (UTC).")
    document: Document = Field(description="The entry as sent.")
    corrections: list[CorrectionPacked] = Field(
        max_length=1000, fail_fast=True, description="Corrections in order; the last one holds."
    )
    trace: TracePacked | None = Field(None, description="Logger file of a run. Null: none.")
    photos: list[PhotoPacked] = Field([], max_length=photos.MOST, description="Photos of a run, in order.")


class NotePacked(Wire):
    """A note."""

    written_at: Moment = Field(description="Moment of writing (UTC).")
    author: str = Field(max_length=100, description="Name of the writer; empty for none.")
    text: str = Field(min_length=1, max_length=2000, description="Text of the note.")


class PriorPacked(Wire):
    """The pool version that the engine started from."""

    version: Annotated[int, Field(ge=1, le=2**31 - 1)] = Field(description="Number of the pool version.")
    document: Document = Field(description="The published version.")


class Contents(Wire):
    """Contents of an export file."""

    created_at: Moment = Field(description="Moment of the set-up (UTC).")
    installation: Document = Field(description="The set-up as sent.")
    entries: list[EntryPacked] = Field(max_length=10_000, fail_fast=True, description="All entries in order.")
    notes: list[NotePacked] = Field(max_length=10_000, fail_fast=True, description="All notes in order.")
    prior: PriorPacked | None = Field(
        None, description="Pool version that the engine started from. Null: the standard starting estimate."
    )
    owner: str | None = Field(
        None, max_length=100, description="Name of the owner's account at the export. Null: sign-in was off."
    )
    shared: bool = Field(
        False, description="Whether the owner shared the summary there. A copy is never shared: that consent stays."
    )


class Archive(Wire):
    """An export file. Count and seal show whether the file was cut short or changed."""

    format: Literal["taperwise installation"] = Field(description="Kind of file.")
    version: Literal[1] = Field(description="Version of the file's form.")
    contents: Contents = Field(description="Everything about the engine.")
    entries: Whole = Field(description="Number of entries, to detect a cut file.")
    seal: str = Field(
        pattern="^[0-9a-f]{64}$",
        description="SHA-256 of the contents as compact JSON with sorted keys, to detect a changed file.",
    )


def sealed(contents: Contents) -> Archive:
    """A parcel around its contents."""
    return Archive(
        format="taperwise installation", version=1, contents=contents, entries=len(contents.entries),
        seal=_seal(contents),
    )  # fmt: skip


def _seal(contents: Contents) -> str:
    text = json.dumps(contents.model_dump(mode="json"), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def pack(session: Session, installation_id: int) -> Archive:
    """Everything stored of an installation.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    row = installations.get(session, installation_id)
    service.entries_of(session, installation_id)  # refuses what is damaged: it could not be imported
    corrections = repository.corrections(session, installation_id)
    entries, taken = [], photos.of_installation(session, installation_id)
    for entry in repository.entries(session, installation_id):
        trace = session.get(Trace, entry.id)
        entries.append(
            EntryPacked(
                kind=_KIND.validate_python(entry.kind),
                happened_at=entry.happened_at,
                recorded_at=entry.recorded_at,
                document=entry.document,
                corrections=[
                    CorrectionPacked(recorded_at=c.recorded_at, reason=c.reason, document=c.document)
                    for c in corrections.get(entry.id, ())
                ],
                trace=None if trace is None else TracePacked(sent=trace.sent, read=trace.read),
                photos=[
                    PhotoPacked(added_at=p.added_at, image=base64.b64encode(p.image).decode())
                    for p in taken.get(entry.sequence, ())
                ],
            )
        )
    chosen = prior_row(session, installation_id)
    prior = None
    if chosen is not None and chosen.version is not None and chosen.document is not None:
        prior = PriorPacked(version=chosen.version, document=chosen.document)
    notes = session.query(Note).where(Note.installation_id == installation_id).order_by(Note.id)
    return sealed(
        Contents(
            created_at=row.created_at,
            installation=row.document,
            entries=entries,
            notes=[NotePacked(written_at=n.written_at, author=n.author, text=n.text) for n in notes],
            prior=prior,
            owner=None if row.owner_id is None else people.person(session, row.owner_id).name,
            shared=is_shared(session, installation_id),
        )
    )


def unpack(session: Session, parcel: Archive, owner_id: int | None = None) -> int:
    """Store what a parcel holds as a new installation.

    Parameters
    ----------
    owner_id : int, optional
        Whose it will be; if left out, that of the person here who is called as its owner was.

    Returns
    -------
    int
        Its number here.

    Raises
    ------
    InvalidValueError
        If it is not whole, or holds what the service would not have stored.
    """
    contents = parcel.contents
    if parcel.entries != len(contents.entries):
        raise InvalidValueError(
            "The export file says it has another number of entries",
            field="entries",
            value=len(contents.entries),
            cure=_CURE,
        )
    if parcel.seal != _seal(contents):
        raise InvalidValueError(
            "The export file was cut short or changed after it was made", field="seal", value=parcel.seal,
            cure=_CURE,
        )  # fmt: skip
    _read("contents.installation", InstallationIn, contents.installation).record()
    if owner_id is None and contents.owner is not None:
        known = people.by_name(session, contents.owner)
        owner_id = None if known is None else known.id
    row = installations.add(session, contents.installation, contents.created_at, owner_id)
    row.imported = True  # its owner agreed to nothing: a copy is never shared with the pool
    last: datetime | None = None
    for number, packed in enumerate(contents.entries, 1):
        if last is not None and packed.happened_at < last:
            raise InvalidValueError(
                "This entry is dated before the entry ahead of it", field=f"contents.entries.{number - 1}.happened_at",
                value=packed.happened_at.isoformat(), cure=_CURE,
            )  # fmt: skip
        last = packed.happened_at
        _store(session, row.id, number, packed)
    session.add_all(
        Note(installation_id=row.id, written_at=n.written_at, author=n.author, text=n.text) for n in contents.notes
    )
    if contents.prior is not None:
        _keep_prior(session, row.id, contents.prior)
    session.flush()
    service.load(session, row.id).position()  # the log has to hold together here too
    service.refresh_stop(session, row.id)
    return row.id


def _keep_prior(session: Session, installation_id: int, packed: PriorPacked) -> None:
    """The prior it started from.

    Raises
    ------
    InvalidValueError
        If it is none.
    """
    document = packed.document
    try:
        prior_out(document)
        prior = parsed(document)
        size = len(POOLED)
        if (len(prior.centre), [len(row) for row in prior.root]) != (size, [size] * size):
            raise ValueError("another number of unknowns")
        if not all(map(math.isfinite, (*prior.centre, *(x for row in prior.root for x in row)))):
            raise ValueError("value is not finite")
        if not 0.0 <= prior.odd < 1.0:
            raise ValueError("a share that is none")
    except (KeyError, TypeError, ValueError) as error:
        raise InvalidValueError(
            f"The starting estimate cannot be used: {str(error).splitlines()[0]}",
            field="contents.prior.document",
            value="…",
            cure=_CURE,
        ) from None
    put_prior(session, installation_id, packed.version, document)


_KIND: TypeAdapter[Kind] = TypeAdapter(Kind)
_MODELS: dict[str, Any] = {
    "run": RunIn, "adjustment": AdjustmentIn, "acknowledged": AcknowledgeIn, "set_up": SetUpEntry,
}  # fmt: skip


def _store(session: Session, installation_id: int, number: int, packed: EntryPacked) -> None:
    place = f"contents.entries.{number - 1}"
    _read(f"{place}.document", _MODELS[packed.kind], packed.document)
    entry = Entry(
        installation_id=installation_id,
        sequence=number,
        kind=packed.kind,
        happened_at=packed.happened_at,
        recorded_at=packed.recorded_at,
        document=packed.document,
    )
    session.add(entry)
    session.flush()
    for i, c in enumerate(packed.corrections):
        if c.document is not None:
            _read(f"{place}.corrections.{i}.document", _MODELS[packed.kind], c.document)
        session.add(Correction(entry_id=entry.id, recorded_at=c.recorded_at, reason=c.reason, document=c.document))
    if packed.trace is not None:
        _read(f"{place}.trace.sent", TraceIn, packed.trace.sent)
        for sweep in packed.trace.read:
            _read(f"{place}.trace.read", SweepOut, sweep)
        session.add(Trace(entry_id=entry.id, sent=packed.trace.sent, read=packed.trace.read))
    for i, each in enumerate(packed.photos):
        field = f"{place}.photos.{i}.image"
        if packed.kind != "run":
            raise InvalidValueError(
                "Only a run has photos", field=field, value=packed.kind, cure="Import the file as it was exported."
            )
        image, width, height = photos.as_kept(photos.decoded(each.image, field), field)
        session.add(Photo(entry_id=entry.id, added_at=each.added_at, width=width, height=height, image=image))


def _read(field: str, model: Any, document: Any) -> Any:
    """A document as what it says it is.

    Raises
    ------
    InvalidValueError
        If it is not that.
    """
    try:
        return TypeAdapter(model).validate_python(document)
    except ValidationError as error:
        first = refusal({**error.errors()[0], "loc": ("body", *error.errors()[0]["loc"])})
        raise InvalidValueError(
            first.message, field=f"{field}.{first.field}", value=first.value, cure=first.cure
        ) from None
