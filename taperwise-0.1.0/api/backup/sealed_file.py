"""The file of a backup: a line with the checksum of all that follows, a line that says what is in it, the contents.

The contents are a SQLite database, compressed with zlib. The first line is ``taperwise backup 1`` and the SHA-256 in
hexadecimal; the second one JSON object: ``made_at``, ``release``, ``schema`` and ``tables``, each with the number
of its rows and their digest.
"""

import hashlib
import json
import os
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from taperwise.api.backup.rows import TableFigures
from taperwise.shared.errors import InvalidValueError

__all__ = ["Contents", "refused", "unwrap", "wrap"]

_FIRST = re.compile(rb"taperwise backup (\d+) ([0-9a-f]{64})\n")
_CHUNK = 1 << 20
_LONGEST_LINE = 1 << 20


@dataclass(frozen=True)
class Contents:
    """What a backup says of itself.

    Parameters
    ----------
    made_at : str
        When, in UTC.
    release, schema : str
        Of the program, and of its tables.
    tables : dict
        Rows of each table, and their digest.
    """

    made_at: str
    release: str
    schema: str
    tables: TableFigures


def _first_line(digest: str) -> bytes:
    return f"taperwise backup 1 {digest}\n".encode()


def wrap(database: Path, contents: Contents, into: Path) -> None:
    """Write the file; it is on the disk when this returns."""
    seal = hashlib.sha256()
    with into.open("xb") as file:
        file.write(_first_line("0" * 64))

        def write(data: bytes) -> None:
            seal.update(data)
            file.write(data)

        write(json.dumps(contents.__dict__).encode() + b"\n")
        packer = zlib.compressobj(6)
        with database.open("rb") as plain:
            while chunk := plain.read(_CHUNK):
                write(packer.compress(chunk))
        write(packer.flush())
        file.seek(0)
        file.write(_first_line(seal.hexdigest()))
        file.flush()
        os.fsync(file.fileno())


def refused(path: Path, why: str) -> InvalidValueError:
    """Why a file is no backup to rely on."""
    return InvalidValueError(
        f"The backup cannot be used. {why}",
        field="file",
        value=path.name,
        cure="Use another copy, or an older backup.",
    )


def _chunks(file: IO[bytes]) -> Iterator[bytes]:
    while chunk := file.read(_CHUNK):
        yield chunk


def unwrap(path: Path, into: Path) -> Contents:
    """Check the file, then unpack its database.

    Raises
    ------
    InvalidValueError
        If it is none, of a newer release, cut short or changed.
    """
    try:
        with path.open("rb") as file:
            first = _FIRST.fullmatch(file.readline(100))
            if first is None:
                raise refused(path, "It is not a backup file")
            if first.group(1) != b"1":
                raise refused(path, "Its format belongs to another release")
            body, seal = file.tell(), hashlib.sha256()
            for chunk in _chunks(file):
                seal.update(chunk)
            if seal.hexdigest().encode() != first.group(2):
                raise refused(path, "It was cut short or changed after it was made")
            file.seek(body)
            said = json.loads(file.readline(_LONGEST_LINE))
            _unpack(file, into)
    except OSError as error:
        raise refused(path, error.strerror or type(error).__name__) from None
    except (ValueError, zlib.error) as error:
        raise refused(path, f"Its contents cannot be read ({error})") from None
    figures = {name: (int(count), str(digest)) for name, (count, digest) in said["tables"].items()}
    return Contents(said["made_at"], said["release"], said["schema"], figures)


def _unpack(file: IO[bytes], into: Path) -> None:
    unpacker = zlib.decompressobj()
    with into.open("xb") as plain:
        for chunk in _chunks(file):
            plain.write(unpacker.decompress(chunk))
        plain.write(unpacker.flush())
    if not unpacker.eof:
        raise zlib.error("they end too early")
