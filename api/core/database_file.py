"""Whether the file of an SQLite database is still the one that was opened: a connection goes on with one that is gone.

Whoever restores a copy over the file of a running service would lose all that is recorded after that.
"""

import sqlite3
from pathlib import Path

from sqlalchemy import URL
from sqlalchemy.exc import OperationalError

__all__ = ["CURE", "DatabaseFile", "ReplacedFileError"]

CURE = "The database file was replaced or removed while the service was running. Start the service again."
"""What to tell whoever runs the service."""


class ReplacedFileError(OperationalError):
    """Raised where the database file is another one than was opened, before anything is read or stored."""

    def __init__(self) -> None:
        super().__init__(None, None, sqlite3.OperationalError("the file was replaced or removed"))


class DatabaseFile:
    """The file of a database; of a server there is none.

    Parameters
    ----------
    url : URL
    """

    def __init__(self, url: URL) -> None:
        self._path = Path(str(url.database)) if url.get_backend_name() == "sqlite" else None
        self._opened: tuple[int, int] | None = None

    def check(self) -> None:
        """See that it is the same as at the first call.

        Raises
        ------
        ReplacedFileError
            If there is another file at its path, or none.
        """
        if self._path is None:
            return
        found = self._there(self._path)
        if self._opened is None:
            self._opened = found
        elif found != self._opened:
            raise ReplacedFileError

    @staticmethod
    def _there(path: Path) -> tuple[int, int] | None:
        """Device and number of a file."""
        try:
            stat = path.stat()
        except FileNotFoundError:
            return None
        return stat.st_dev, stat.st_ino
