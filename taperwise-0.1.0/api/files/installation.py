"""The installation a command works on: from a file, or the invented one of the demo."""

import json
from importlib.resources import files
from pathlib import Path

from pydantic import ValidationError

from taperwise.api.schemas.installation import InstallationIn
from taperwise.shared.errors import InvalidValueError

__all__ = ["fixture", "installation_from"]


def fixture(name: str) -> Path:
    """Path of a fixture that came with the package."""
    return Path(str(files("taperwise.fixtures").joinpath(name)))


def installation_from(path: Path | None) -> InstallationIn:
    """Read an installation.

    Raises
    ------
    InvalidValueError
        If the file cannot be read, or holds what the service would refuse.
    """
    source = path or fixture("needle_set.json")
    try:
        document = json.loads(source.read_text(encoding="utf-8"))
        return InstallationIn.model_validate(document["installation"])
    except (OSError, ValueError, KeyError, TypeError, ValidationError) as error:
        raise InvalidValueError(
            f"The set-up file cannot be read: {str(error).splitlines()[0]}",
            field="--installation",
            value=source.name,
            cure='Give a JSON file of the form {"installation": {…}} with the fields of POST /api/v1/installations.',
        ) from error
