"""Entries of a log as rows of a table, and back: one column a field, its unit in brackets.

`egt_rise.rise [delta_degF]` is the field `rise` of `egt_rise`, in that unit, as the JSON API names both.
"""

import math
import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter, ValidationError

from taperwise.api.core.validation_errors import refusal
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.shared.errors import InvalidValueError

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Sent", "entry_of", "frame_of", "refused", "rows_of"]

Sent = RunIn | AdjustmentKinds | AcknowledgeIn
"""An entry as it is sent to the JSON API."""

_MODELS: dict[str, Any] = {
    "run": TypeAdapter(RunIn), "adjustment": TypeAdapter(AdjustmentIn), "acknowledged": TypeAdapter(AcknowledgeIn),
}  # fmt: skip
_QUANTITY = re.compile(r"(?P<name>[^\[]+?)\s*\[(?P<unit>[^\]]+)\]")
_NUMBERS = ("turns", "turns_from_mark", "egt_rise.cylinders")
_OURS = ("entry", "kind")
_UNNAMED = ("", "Unnamed: 0")  # how pandas calls the index of a table that it wrote and read again
_PAGE = "The page /docs of `taperwise serve`"


def frame_of(entries: Iterable[Sent], units: Units) -> "DataFrame":
    """One row an entry, from 1 on, in these units; what an entry does not hold is missing.

    `kind` is ``run``, ``acknowledged``, or that of an adjustment.
    """
    import pandas as pd  # half a second that an import does without

    rows = []
    for number, entry in enumerate(entries, 1):
        document = units.put(entry).model_dump(mode="json", exclude_none=True, exclude_defaults=True, by_alias=True)
        kind = "run" if isinstance(entry, RunIn) else getattr(entry, "kind", "acknowledged")
        rows.append({"entry": number, "kind": kind, **dict(_flat({k: v for k, v in document.items() if k != "kind"}))})
    return pd.DataFrame(rows, columns=None if rows else list(_OURS))


def _flat(document: Mapping[str, Any], above: str = "") -> Iterable[tuple[str, Any]]:
    for name, value in document.items():
        if not isinstance(value, dict):
            yield above + name, value
        elif set(value) == {"value", "unit"}:
            yield f"{above}{name} [{value['unit']}]", value["value"]
        else:
            yield from _flat(value, f"{above}{name}.")


def rows_of(frame: "DataFrame", comma: bool = False) -> list[Sent]:
    """Entries from a table as `frame_of` makes it, in the order of its column `entry` where it has one.

    Parameters
    ----------
    comma : bool
        Whether numbers have a decimal comma.

    Raises
    ------
    InvalidValueError
        If a cell cannot be used; the error names the row and the column.
    """
    rows = [(number, _kept(row)) for number, row in enumerate(frame.to_dict("records"), 1)]
    return [_entry(number, row, comma) for number, row in _in_order(rows, comma)]


_Row = tuple[int, dict[str, Any]]
"""A row's number in the table, from 1 on, and its cells that hold something."""


def _kept(row: Mapping[Any, Any]) -> dict[str, Any]:
    cells = {str(name).strip(): value for name, value in row.items() if not _missing(value)}
    return {name: value for name, value in cells.items() if name not in _UNNAMED}


def _in_order(rows: list[_Row], comma: bool) -> list[_Row]:
    """Rows as they happened: a table may have been sorted by another column."""
    if not any("entry" in row for _, row in rows):
        return rows
    placed: dict[float, _Row] = {}
    for number, row in rows:
        field = f"row {number}, entry"
        place = _number(row.get("entry", math.nan), field, comma)
        if not math.isfinite(place) or place in placed:
            seen = f"{place:g}, as in row {placed[place][0]}" if place in placed else "nothing"
            cure = "Number all rows in the order in which they happened, or remove the column."
            raise InvalidValueError("each row needs a number of its own", field=field, value=seen, cure=cure)
        placed[place] = number, row
    return [placed[place] for place in sorted(placed)]


def _entry(number: int, row: dict[str, Any], comma: bool) -> Sent:
    if "kind" not in row:
        cure = "Write run, acknowledged, or the kind of adjustment, such as turn_screw, into each row."
        raise InvalidValueError(
            "the row does not say what it is", field=f"row {number}, kind", value="nothing", cure=cure
        )
    kind = str(row["kind"])
    document: dict[str, Any] = {} if kind in _MODELS else {"kind": kind}
    for column, value in row.items():
        if column not in _OURS:
            _put(document, column, value, f"row {number}, {column}", comma)
    return entry_of(kind if kind in _MODELS else "adjustment", document, f"row {number}")


def _missing(value: Any) -> bool:
    return (
        value is None or (isinstance(value, float) and math.isnan(value)) or str(value).strip() in ("", "NaT", "<NA>")
    )


def _put(document: dict[str, Any], column: str, value: Any, field: str, comma: bool) -> None:
    """One cell into the document, below the fields that its heading names."""
    quantity = _QUANTITY.fullmatch(column)
    name = quantity["name"] if quantity else column
    if quantity:
        value = {"value": _number(value, field, comma), "unit": quantity["unit"]}
    elif name in _NUMBERS:
        value = _number(value, field, comma)
        value = int(value) if name not in ("turns", "turns_from_mark") and value.is_integer() else value
    else:
        value = int(value) if name == "idle_quality" and str(value).isdecimal() else str(value).strip()
    *above, last = name.split(".")
    for each in above:
        document = document.setdefault(each, {})
    document[last] = value


def _number(value: Any, field: str, comma: bool) -> float:
    try:
        return float(str(value).replace(",", ".") if comma else value)
    except ValueError:
        raise InvalidValueError(
            "this is no number", field=field, value=value, cure="Write digits with a decimal point, and no unit."
        ) from None


def entry_of(kind: str, document: Any, place: str) -> Sent:
    """An entry from its JSON document.

    Parameters
    ----------
    kind : str
        ``run``, ``adjustment`` or ``acknowledged``.
    place : str
        Where it stands, for errors.

    Raises
    ------
    InvalidValueError
        If the service would refuse it.
    """
    try:
        found: Sent = _MODELS[kind].validate_python(document)
    except ValidationError as error:
        raise refused(error, f"{place}, ") from None
    return found


def refused(error: ValidationError, place: str = "") -> InvalidValueError:
    """What the validator found first, in words for somebody without a running service.

    Parameters
    ----------
    place : str
        Where the document stands, before the field.
    """
    one = error.errors()[0]
    first = refusal({**one, "loc": ("body", *one["loc"])})
    cure = first.cure.replace("The OpenAPI page at /docs", _PAGE).replace("/docs lists", f"{_PAGE} lists")
    return InvalidValueError(first.message, field=f"{place}{first.field}", value=first.value, cure=cure)
