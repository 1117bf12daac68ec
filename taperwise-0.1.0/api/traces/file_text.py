"""The text of a logger's file, whatever its encoding; a spreadsheet's one table as text."""

from pathlib import Path

from charset_normalizer import from_bytes

from taperwise.api.traces.sheet_reader import tables
from taperwise.shared.errors import InvalidValueError

__all__ = ["text_of", "text_of_file"]

_ENCODINGS = ["utf_8", "utf_16", "utf_16_le", "utf_16_be", "cp1252"]
"""Encodings that are told apart; in every other one the signs of a degree and of letters could be read wrong."""

_ZIP, _OLD_SHEET = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"


def text_of_file(path: Path, field: str) -> str:
    """The text of a file on this machine.

    Raises
    ------
    InvalidValueError
        If it cannot be opened, or its bytes are no text, as `text_of` says.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InvalidValueError(
            f"the file cannot be read: {error.strerror}", field=field, value=path.name, cure="Give a CSV file."
        ) from None
    return text_of(data, field, path.name)


def text_of(data: bytes, field: str, name: str) -> str:
    """The text of a file's bytes, without a byte order mark.

    Parameters
    ----------
    data : bytes
        CSV text in UTF-8, UTF-16 or Windows-1252, or a spreadsheet (.xlsx or .ods).
    field, name : str
        What the reader calls the field, and the file.

    Raises
    ------
    InvalidValueError
        If it is none of these, or a spreadsheet with more than one table.
    """
    if data.startswith(_ZIP):
        return _sheet(data, field, name)
    if data.startswith(_OLD_SHEET):
        raise InvalidValueError(
            "this is a spreadsheet of an old kind", field=field, value=name, cure="Save it as CSV, .xlsx or .ods."
        )
    if b"\x00" not in data:
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError:
            pass
    found = from_bytes(data, cp_isolation=_ENCODINGS).best()
    text = None if found is None else str(found).removeprefix("\ufeff")
    if text is None or "\x00" in text:
        raise InvalidValueError(
            "the file is not text in UTF-8, UTF-16 or Windows-1252", field=field, value=name,
            cure="Export it as CSV in UTF-8.",
        )  # fmt: skip
    return text


def _sheet(data: bytes, field: str, name: str) -> str:
    """The one table of a spreadsheet as text with tabs."""
    try:
        found = tables(data)
    except ModuleNotFoundError:
        raise InvalidValueError(
            "spreadsheets need the spreadsheets extra", field=field, value=name,
            cure="Save the table as CSV, or have taperwise[spreadsheets] installed.",
        ) from None  # fmt: skip
    except ValueError:
        raise InvalidValueError(
            "this is no spreadsheet that can be read, or it is too large", field=field, value=name,
            cure="Save the table as CSV.",
        ) from None  # fmt: skip
    if len(found) != 1:
        seen = ", ".join(found) or "no sheet with rows"
        raise InvalidValueError(
            "the spreadsheet should hold one table", field=field, value=f"{name}: {seen}",
            cure="Keep the sheet of the sweep alone, or save it as CSV.",
        )  # fmt: skip
    return next(iter(found.values()))
