"""What keeps the database from answering, told apart: a full disk needs another cure than a busy one."""

import errno
import sqlite3
from dataclasses import dataclass

from taperwise.api.core.database import UNCERTAIN
from taperwise.api.core.database_file import CURE, ReplacedFileError

__all__ = ["RETRY_AFTER", "StorageFailure", "failure_of", "is_disk_full"]

RETRY_AFTER = "5"
"""When it is worth trying again [s]."""

_NO_SPACE = (errno.ENOSPC, errno.EDQUOT)
_SQLITE_NO_SPACE = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE)
_POSTGRES_NO_SPACE = "53100"


@dataclass(frozen=True)
class StorageFailure:
    """How a failure is told.

    Parameters
    ----------
    kind : str
        ``disk_full``, ``replaced`` or ``database``.
    status : int
    title, detail : str
    headers : dict
    """

    kind: str
    status: int
    title: str
    detail: str
    headers: dict[str, str]


def is_disk_full(error: BaseException | None) -> bool:
    """True if the error chain contains ENOSPC or SQLite's "disk full"."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in _NO_SPACE:
            return True
        if getattr(error, "sqlite_errorcode", None) in _SQLITE_NO_SPACE:
            return True
        if getattr(error, "sqlstate", None) == _POSTGRES_NO_SPACE:
            return True
        error = getattr(error, "orig", None) or error.__cause__
    return False


def failure_of(error: BaseException, method: str) -> StorageFailure:
    """A failure of the database or the disk under a request of this method."""
    reads = method in ("GET", "HEAD")
    kept = "Nothing was read." if reads else "Nothing was stored."
    if is_disk_full(error):
        cure = "Free some space on the disk of the database, then try again. You can still read what was stored before."
        return StorageFailure("disk_full", 507, "The disk is full", f"{kept} {cure}", {})
    if isinstance(error, ReplacedFileError):
        return StorageFailure("replaced", 503, "The database file was replaced", f"{kept} {CURE}", {})
    if UNCERTAIN in getattr(error, "__notes__", ()):
        kept = (
            "Your entry may or may not be stored. Read the log, or send the request again with the same "
            "Idempotency-Key."
        )
    detail = f"{kept} Try again in a moment."
    return StorageFailure("database", 503, "The database did not answer", detail, {"Retry-After": RETRY_AFTER})
