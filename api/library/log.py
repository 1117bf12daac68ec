"""An engine and its log, from a file, a document or a table."""

import json
import operator
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from taperwise.api.library.frames import Sent, entry_of, frame_of, refused, rows_of
from taperwise.api.schemas.adjustments import AcknowledgeIn
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.run import RunIn
from taperwise.api.traces.recording import read as read_trace
from taperwise.model.inference.dataset import replay
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.records import Entry

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Log", "read_engine", "read_log", "whole_number"]

_FORMS = 'Give {"installation": {…}, "log": […]}, or an export file of the service.'
_POSTS = {"runs": "run", "adjustments": "adjustment", "acknowledgements": "acknowledged"}


@dataclass(frozen=True)
class Log:
    """An engine and what was done with it.

    Parameters
    ----------
    engine : InstallationIn
        As `read_engine` gives it.
    entries : tuple
        Runs, adjustments and recorded causes as the JSON API takes them, in the order in which they happened.

    Raises
    ------
    InvalidValueError, UnknownNeedleError
        If the entries do not hold together.
    """

    engine: InstallationIn
    entries: tuple[Sent, ...] = ()

    def __post_init__(self) -> None:
        replay(self.engine.record(), self.records())  # the log has to hold together

    def __len__(self) -> int:
        return len(self.entries)

    def and_then(self, *documents: Mapping[str, Any]) -> "Log":
        """The log with further entries: a run, or an adjustment with its `kind`, as the JSON API takes them.

        Raises
        ------
        InvalidValueError
            If the service would refuse one.
        """
        found = [
            entry_of("adjustment" if "kind" in each else "acknowledged" if "cause" in each else "run", each, "entry")
            for each in documents
        ]
        return replace(self, entries=(*self.entries, *found))

    def until(self, entries: int) -> "Log":
        """The log as it was after so many entries.

        Raises
        ------
        InvalidValueError
            If that is no count.
        """
        return replace(self, entries=self.entries[: whole_number("entries", entries, 0)])

    def records(self) -> tuple[Entry, ...]:
        """The entries in SI, as the model takes them. Causes of odd logger files are none of them."""
        found: list[Entry] = []
        for entry in self.entries:
            if isinstance(entry, RunIn):
                found.append(entry.record(self.engine.elevation))
            elif not isinstance(entry, AcknowledgeIn) or entry.about == "run":
                found.append(entry.record())
        return tuple(found)

    def to_frame(self) -> "DataFrame":
        """One row an entry, a column a field, in the engine's units; `read_log` reads the table back."""
        return frame_of(self.entries, self.engine.units)


def whole_number(field: str, value: Any, least: int) -> int:
    """A whole number of at least so much.

    Raises
    ------
    InvalidValueError
        If it is none.
    """
    try:
        found = operator.index(value)
    except TypeError:
        found = least - 1
    if found < least:
        cure = f"Give {least} or more, without decimals."
        raise InvalidValueError("this is no such whole number", field=field, value=repr(value), cure=cure)
    return found


def read_engine(source: str | Path | Mapping[str, Any]) -> InstallationIn:
    """Read an engine.

    Parameters
    ----------
    source : path or mapping
        A JSON file or a document: what ``POST /api/v1/installations`` takes, alone or under ``installation``.

    Raises
    ------
    InvalidValueError
        If it cannot be read, or holds what the service would refuse.
    """
    document = _document(source)
    document = document.get("contents", document)
    try:
        return InstallationIn.model_validate(document.get("installation", document))
    except ValidationError as error:
        raise refused(error) from None


def read_log(
    source: "str | Path | Mapping[str, Any] | DataFrame",
    engine: InstallationIn | str | Path | Mapping[str, Any] | None = None,
) -> Log:
    """Read a log.

    Parameters
    ----------
    source : path, mapping or DataFrame
        A JSON file or document: a tuning day as `taperwise simulate --json` writes it, or an export file of the
        service. Or a table, CSV or DataFrame, with the columns that `Log.to_frame` gives.
    engine : InstallationIn, path or mapping, optional
        Needed with a table; otherwise that of the file is taken.

    Raises
    ------
    InvalidValueError
        If it cannot be read, or holds what the service would refuse; the error names the entry and the field.
    """
    table = _table(source)
    if table is None:
        document = _document(source)
        owner = engine if engine is not None else document
    elif engine is None:
        raise InvalidValueError(
            "a table does not say which engine it is of", field="engine", value="nothing",
            cure="Give engine=, a JSON file or what read_engine gave.",
        )  # fmt: skip
    else:
        owner = engine
    known = owner if isinstance(owner, InstallationIn) else read_engine(owner)
    sent = _entries(document) if table is None else rows_of(*table)
    return Log(known, tuple(_with_rise(entry, known) for entry in sent))


def _with_rise(entry: Sent, engine: InstallationIn) -> Sent:
    """A run with a logger file as what was read from it."""
    return read_trace(entry, engine.units).run if isinstance(entry, RunIn) and entry.trace is not None else entry


def _table(source: Any) -> "tuple[DataFrame, bool] | None":
    """A table and whether its numbers have a decimal comma; None if it is a document."""
    if hasattr(source, "to_dict") and hasattr(source, "columns"):
        return source, False
    if not isinstance(source, str | Path) or not str(source).lower().endswith((".csv", ".parquet")):
        return None
    import pandas as pd  # half a second that an import does without

    try:
        if str(source).lower().endswith(".parquet"):
            return pd.read_parquet(source), False
        with Path(source).open(encoding="utf-8-sig") as file:
            comma = ";" in file.readline()
        text = {"dtype": str, "keep_default_na": False, "encoding": "utf-8-sig"}
        return pd.read_csv(source, sep=";" if comma else ",", **text), comma
    except (OSError, ValueError) as error:
        raise _unreadable(source, error, "Give a table in UTF-8 with the columns of Log.to_frame.") from None


def _document(source: Any) -> Mapping[str, Any]:
    if isinstance(source, Mapping):
        return source
    if not isinstance(source, str | Path):
        raise InvalidValueError(
            f"{type(source).__name__} is neither a path nor a document", field="source", value=repr(source), cure=_FORMS
        )
    try:
        found = json.loads(Path(source).read_text(encoding="utf-8"))
        if not isinstance(found, dict):
            raise ValueError("no JSON object")
    except (OSError, ValueError) as error:
        raise _unreadable(source, error, _FORMS) from None
    return found


def _unreadable(source: Any, error: Exception, cure: str) -> InvalidValueError:
    return InvalidValueError(
        f"the file cannot be read: {str(error).splitlines()[0]}", field="source", value=Path(source).name, cure=cure
    )


def _entries(document: Mapping[str, Any]) -> list[Sent]:
    """Entries of a tuning day, or of an export file with its corrections made.

    Raises
    ------
    InvalidValueError
        If it is neither.
    """
    try:
        if "contents" in document:
            packed = [(e["kind"], e["document"], e["corrections"]) for e in document["contents"]["entries"]]
            now = [(kind, fixes[-1]["document"] if fixes else sent) for kind, sent, fixes in packed]
            told = [(kind, sent) for kind, sent in now if sent is not None]  # a correction without one: voided
        else:
            told = [(_POSTS[each["post"]], each["body"]) for each in document.get("log", ())]
    except (KeyError, TypeError) as error:
        raise InvalidValueError(
            f"this is no log: {error} is missing or odd", field="log", value="…", cure=_FORMS
        ) from None
    return [entry_of(kind, sent, f"entry {number}") for number, (kind, sent) in enumerate(told, 1)]
