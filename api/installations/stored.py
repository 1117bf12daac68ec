"""What was stored, read back: an installation as it was sent."""

from collections.abc import Iterator
from contextlib import contextmanager

from taperwise.api.core.database import Installation
from taperwise.api.schemas.installation import InstallationIn
from taperwise.shared.errors import InvalidValueError, UnsafeError

__all__ = ["as_stored", "installation_of"]


@contextmanager
def as_stored(field: str, number: int) -> Iterator[None]:
    """What is read back is what was checked before it was stored; if it is not, somebody changed the database.

    Raises
    ------
    UnsafeError
        Naming what cannot be read.
    """
    try:
        yield
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, InvalidValueError) as error:
        raise UnsafeError(
            "this was changed in the database and cannot be read, so no result is shown",
            field=field,
            value=number,
            cure="Restore a backup.",
        ) from error


def installation_of(row: Installation) -> InstallationIn:
    """A stored installation as it was sent.

    Raises
    ------
    UnsafeError
        If it cannot be read, or its parts do not fit together.
    """
    with as_stored("installation", row.id):
        sent = InstallationIn.model_validate(row.document)
        sent.record()
    return sent
