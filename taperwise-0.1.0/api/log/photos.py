"""Photos of a run: made small, without anything but the picture itself, and kept beside their entry."""

import base64
import binascii
import io
import math
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from PIL import Image, ImageOps
from sqlalchemy import ForeignKey, LargeBinary, func, select
from sqlalchemy.orm import Mapped, Session, mapped_column

from taperwise.api.core.database import Base, Entry, Id, Utc
from taperwise.api.installations import repository as installations
from taperwise.api.log import repository
from taperwise.api.schemas.photo import PhotoOut
from taperwise.shared.errors import ConflictError, InvalidValueError, NotFoundError, OutOfRangeError

__all__ = [
    "MOST",
    "Photo",
    "add",
    "as_kept",
    "decoded",
    "get",
    "numbers",
    "of_entry",
    "of_installation",
    "remove",
    "small",
    "thumbnail",
]

MOST = 3
"""Photos of one run."""

_LONGEST = 1280  # px, of the longest side as kept
_MOST_PIXELS = 64_000_000
_FORMATS = ("JPEG", "PNG", "WEBP")
_PRINTED = 480  # px, of the longest side on the tuning sheet
_QUALITY = 75  # the library's default
_ONE_AT_A_TIME = threading.Lock()  # unpacked, the largest takes a quarter of a gigabyte
_OTHER = "Choose a photo as JPEG, PNG or WebP."


class Photo(Base):
    """A photo of a run, as JPEG."""

    __tablename__ = "photos"

    id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=True)
    entry_id: Mapped[int] = mapped_column(Id, ForeignKey("entries.id"), index=True)
    added_at: Mapped[datetime] = mapped_column(Utc)
    width: Mapped[int]
    height: Mapped[int]
    image: Mapped[bytes] = mapped_column(LargeBinary)


def decoded(text: str, field: str) -> bytes:
    """The bytes of base64 text.

    Raises
    ------
    InvalidValueError
        If it is none.
    """
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise InvalidValueError(
            "This is not base64", field=field, value=text[:20], cure="Send the bytes of the photo in base64."
        ) from None


def small(sent: bytes, field: str) -> tuple[bytes, int, int]:
    """A photo the right way up, at most 1280 px long, drawn anew: nothing that its file said beside it is left.

    Returns
    -------
    image : bytes
        As JPEG.
    width, height : int
        In px.

    Raises
    ------
    InvalidValueError, OutOfRangeError
        If it is no picture, or has too many pixels.
    """
    with (
        _as_refusal(field, _size(sent)),
        _ONE_AT_A_TIME,
        Image.open(io.BytesIO(sent), formats=_FORMATS) as opened,
    ):
        if opened.width * opened.height > _MOST_PIXELS:
            raise _too_many(field, f"{opened.width} x {opened.height}")
        opened.draft("RGB", (_LONGEST, _LONGEST))
        opened.thumbnail((_LONGEST, _LONGEST))
        upright = ImageOps.exif_transpose(opened).convert("RGBA")
    plain = Image.new("RGB", upright.size, "white")
    plain.paste(upright, mask=upright)
    kept = io.BytesIO()
    plain.save(kept, "JPEG", quality=_QUALITY)
    return kept.getvalue(), plain.width, plain.height


def as_kept(sent: bytes, field: str) -> tuple[bytes, int, int]:
    """A photo of an export file, as `small` once made it: looked at, and not drawn anew, so that it stays the same.

    Raises
    ------
    InvalidValueError
        If it is larger than any that was kept, or no JPEG.
    """
    with _as_refusal(field, _size(sent)), Image.open(io.BytesIO(sent), formats=["JPEG"]) as opened:
        if max(opened.size) > _LONGEST:
            raise InvalidValueError(
                f"A kept photo is at most {_LONGEST} px long", field=field, value=f"{opened.width} x {opened.height}",
                cure="Import the file as it was exported.",
            )  # fmt: skip
        return sent, opened.width, opened.height


def thumbnail(image: bytes) -> bytes:
    """A kept photo as small as the tuning sheet prints it; itself where it cannot be read."""
    try:
        with Image.open(io.BytesIO(image), formats=["JPEG"]) as opened:
            opened.draft("RGB", (_PRINTED, _PRINTED))
            opened.thumbnail((_PRINTED, _PRINTED))
            made = io.BytesIO()
            opened.save(made, "JPEG", quality=_QUALITY)
            return made.getvalue()
    except (OSError, ValueError, SyntaxError):
        return image


def _size(sent: bytes) -> str:
    return f"a file of {math.ceil(len(sent) / 1000)} kB"


def _too_many(field: str, value: str) -> OutOfRangeError:
    return OutOfRangeError(
        f"A photo may have at most {_MOST_PIXELS // 1_000_000} million pixels", field=field, value=value,
        cure="Make the photo smaller, or take the photo at a lower resolution.",
    )  # fmt: skip


@contextmanager
def _as_refusal(field: str, value: str) -> Iterator[None]:
    """What the library says of a file, as one of our errors."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            yield
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many(field, "far more") from None
    except (OSError, ValueError, SyntaxError, EOFError):  # what the library raises for broken files
        raise InvalidValueError("This is not a photo", field=field, value=value, cure=_OTHER) from None


def add(session: Session, installation_id: int, sequence: int, made: tuple[bytes, int, int]) -> PhotoOut:
    """Keep a photo that `small` made beside a run.

    Raises
    ------
    NotFoundError, InvalidValueError, ConflictError
        If there is no such entry, it is no run, or it has as many photos as it may.
    """
    installations.get(session, installation_id, lock=True)
    entry = _entry(session, installation_id, sequence)
    if entry.kind != "run":
        raise InvalidValueError(
            "Only a run has photos", field="sequence", value=sequence, cure="Give the number of a run."
        )
    if (session.scalar(select(func.count()).select_from(Photo).where(Photo.entry_id == entry.id)) or 0) >= MOST:
        raise ConflictError(
            f"A run has at most {MOST} photos", field="photo", value=MOST + 1, cure="Delete a photo of this run first."
        )
    image, width, height = made
    row = Photo(entry_id=entry.id, added_at=datetime.now(UTC), width=width, height=height, image=image)
    session.add(row)
    session.flush()
    return _outward(row, sequence)


def of_entry(session: Session, installation_id: int, sequence: int) -> list[PhotoOut]:
    """The photos of an entry, in the order in which they were added.

    Raises
    ------
    NotFoundError
        If there is no such entry.
    """
    installations.get(session, installation_id)
    entry = _entry(session, installation_id, sequence)
    size = func.length(Photo.image)
    query = select(Photo.id, Photo.added_at, Photo.width, Photo.height, size).where(Photo.entry_id == entry.id)
    return [
        PhotoOut(id=number, sequence=sequence, added_at=added_at, width=width, height=height, size=bytes_kept)
        for number, added_at, width, height, bytes_kept in session.execute(query.order_by(Photo.id))
    ]


def numbers(session: Session, installation_id: int) -> dict[int, list[int]]:
    """Numbers of all photos of an installation, by the number of their entry."""
    query = select(Entry.sequence, Photo.id).join(Photo, Photo.entry_id == Entry.id)
    found: dict[int, list[int]] = {}
    for sequence, number in session.execute(query.where(Entry.installation_id == installation_id).order_by(Photo.id)):
        found.setdefault(sequence, []).append(number)
    return found


def of_installation(session: Session, installation_id: int) -> dict[int, list[Photo]]:
    """All photos of an installation by the number of their entry."""
    query = select(Entry.sequence, Photo).join(Photo, Photo.entry_id == Entry.id)
    found: dict[int, list[Photo]] = {}
    for sequence, row in session.execute(query.where(Entry.installation_id == installation_id).order_by(Photo.id)):
        found.setdefault(sequence, []).append(row)
    return found


def get(session: Session, installation_id: int, sequence: int, photo_id: int) -> Photo:
    """One photo.

    Raises
    ------
    NotFoundError
        If there is no such photo of that entry.
    """
    installations.get(session, installation_id)
    entry, row = _entry(session, installation_id, sequence), session.get(Photo, photo_id)
    if row is None or row.entry_id != entry.id:
        raise NotFoundError(
            "Photo not found", field="photo_id", value=photo_id, cure="Check the number in the list of photos."
        )
    return row


def remove(session: Session, installation_id: int, sequence: int, photo_id: int) -> None:
    """Delete a photo.

    Raises
    ------
    NotFoundError
        As `get`.
    """
    installations.get(session, installation_id, lock=True)
    session.delete(get(session, installation_id, sequence, photo_id))
    session.flush()


def _entry(session: Session, installation_id: int, sequence: int) -> Entry:
    row = repository.entry(session, installation_id, sequence)
    if row is None:
        raise NotFoundError("Entry not found", field="sequence", value=sequence, cure="Check the number in the log.")
    return row


def _outward(row: Photo, sequence: int) -> PhotoOut:
    return PhotoOut(
        id=row.id, sequence=sequence, added_at=row.added_at, width=row.width, height=row.height, size=len(row.image)
    )
