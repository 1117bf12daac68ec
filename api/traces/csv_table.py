"""A table of columns from CSV text, whatever its separator, decimal sign and clock.

Commas or semicolons or tabs, decimal comma, byte order mark, units in the headings, seconds or clock
times or ISO 8601, gaps. What cannot be read is named with its row and column.
"""

import csv
import io
import math
import re
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from taperwise.shared.errors import InvalidValueError

__all__ = ["MOST_CELLS", "MOST_COLUMNS", "MOST_ROWS", "Column", "read_table"]

MOST_ROWS = 200_000
"""Rows beyond which a file is refused."""

MOST_COLUMNS = 200
"""Columns beyond which a file is refused."""

MOST_CELLS = 4_000_000
"""Rows times columns beyond which a file is refused."""

_LONGEST_LINE = 20_000  # characters: a hundred for each of the most columns
_LONGEST_HEADING = 200

_GAPS = {"", "-", "--", "nan", "n/a", "na", "null", "none"}
_UNIT = re.compile(r"^(?P<name>.*?)\s*[\(\[](?P<unit>[^\)\]]*)[\)\]]\s*$")
_CLOCK = re.compile(r"^(?:(\d{1,4}):)?(\d{1,2}):(\d{1,2}(?:\.\d+)?)$")


@dataclass(frozen=True)
class Column:
    """One column: its heading without the unit, the unit in the heading if any, and its values (NaN for a gap).

    `problem` is the first field that is no number: a column of remarks hurts nobody until it is asked for.
    """

    name: str
    unit: str
    readable: NDArray[np.float64]
    problem: InvalidValueError | None = None

    @property
    def values(self) -> NDArray[np.float64]:
        """The values.

        Raises
        ------
        InvalidValueError
            If a field is no number.
        """
        if self.problem is not None:
            raise self.problem
        return self.readable


def read_table(text: str) -> list[Column]:
    """Read a table.

    Parameters
    ----------
    text : str
        The file; its first line that has at least two fields, not all of them numbers, is the heading.

    Returns
    -------
    list of Column
        In the file's order. Times come as seconds: since midnight for clock times, since the first for ISO 8601.

    Raises
    ------
    InvalidValueError
        If there is no heading, no row, or too much of it, or a line or a quote that does not end. A field that is no
        number is named, with its row, when its column is used.
    """
    lines = _lines(text.removeprefix("\ufeff"))
    separator = _separator(lines[:50])
    rows = _rows(lines, separator)
    head = next((i for i, row in enumerate(rows[:50]) if _is_heading(row, separator)), None)
    if head is None:
        raise _refused(
            "The file has no line of headings", "row 1", "", "Put the names of the columns in the first line."
        )
    names = _distinct(_headings(rows[head], head + 1))
    body = [(head + 2 + i, row) for i, row in enumerate(rows[head + 1 :]) if any(f.strip() for f in row)]
    if not body:
        raise _refused("The file has no row below the headings", f"row {head + 2}", "", "Export the file again.")
    if len(body) > MOST_ROWS:
        raise _refused(f"more than {MOST_ROWS} rows", f"row {body[MOST_ROWS][0]}", len(body), _CUT)
    if len(body) * len(names) > MOST_CELLS:
        seen = f"{len(body)} rows of {len(names)} columns"
        raise _refused(f"more than {MOST_CELLS} fields", f"row {body[-1][0]}", seen, _CUT)
    return [_column(name, k, body, separator) for k, name in enumerate(names) if name]


_CUT = "Cut the file down to the sweep."


def _lines(text: str) -> list[str]:
    """The lines, unless there are far too many or one is far too long; neither is copied before it is known."""
    if sum(map(text.count, _LINE_ENDS)) > 4 * MOST_ROWS:  # blank ones, and ends of two characters, among them
        raise _refused(f"more than {MOST_ROWS} rows", f"row {MOST_ROWS + 1}", "", _CUT)
    lines = text.splitlines()
    for i, line in enumerate(lines):
        if len(line) > _LONGEST_LINE:
            cure = "Export the file again as CSV, with one line for each moment."
            raise _refused(f"A line has more than {_LONGEST_LINE} characters", f"row {i + 1}", len(line), cure)
    return lines


_LINE_ENDS = "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"
"""What `str.splitlines` ends a line at."""


def _rows(lines: list[str], separator: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=separator, strict=True)
    try:
        return list(reader)
    except csv.Error as error:
        cure = "Close every quote, and double a quote within a field."
        raise _refused(f"The quotes do not match: {error}", f"row {reader.line_num}", "", cure) from None


def _headings(row: list[str], number: int) -> list[str]:
    if len(row) > MOST_COLUMNS:
        cure = "Remove the columns that you do not need."
        raise _refused(f"more than {MOST_COLUMNS} columns", f"row {number}", len(row), cure)
    names = [field.strip() for field in row]
    for name in names:
        if len(name) > _LONGEST_HEADING:
            raise _refused(
                f"A heading has more than {_LONGEST_HEADING} characters", f"row {number}", name, "Shorten it."
            )
    return names


def _distinct(names: list[str]) -> list[str]:
    """Headings that occur twice are numbered, before their unit: no column is lost."""
    out: list[str] = []
    for i, name in enumerate(names):
        again = names[:i].count(name)
        found = _UNIT.match(name)
        bare, unit = (found["name"], f" ({found['unit']})") if found else (name, "")
        out.append(f"{bare} #{again + 1}{unit}" if name and again else name)
    return out


def _refused(message: str, place: str, value: object, cure: str) -> InvalidValueError:
    return InvalidValueError(message, field=f"trace, {place}", value=value or None, cure=cure)


def _separator(lines: list[str]) -> str:
    counts = {s: sorted(line.count(s) for line in lines if line.strip()) for s in (";", "\t", ",")}
    middle = {s: c[len(c) // 2] if c else 0 for s, c in counts.items()}
    return next((s for s in (";", "\t") if middle[s] > 0), ",")


def _is_heading(row: list[str], separator: str) -> bool:
    fields = [f.strip() for f in row if f.strip()]
    return len(fields) >= 2 and not any(_number(f, separator) is not None for f in fields)


def _number(field: str, separator: str) -> float | None:
    plain = field.replace(",", ".") if separator != "," and field.count(",") == 1 and "." not in field else field
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _clock(field: str) -> float | None:
    found = _CLOCK.match(field.replace(",", "."))
    if found is None:
        return None
    hours, minutes, seconds = found.groups()
    return 3600.0 * int(hours or 0) + 60.0 * int(minutes) + float(seconds)


def _moment(field: str) -> float | None:
    try:
        return datetime.fromisoformat(field).timestamp()
    except (ValueError, OverflowError):
        return None


def _column(name: str, k: int, body: list[tuple[int, list[str]]], separator: str) -> Column:
    found = _UNIT.match(name)
    values = np.full(len(body), np.nan)
    clocked = False
    problem = None
    for i, (row_number, row) in enumerate(body):
        field = row[k].strip() if k < len(row) else ""
        if field.lower() in _GAPS:
            continue
        value = _number(field, separator)
        if value is None:
            value = _clock(field)
            value = _moment(field) if value is None else value
            clocked = clocked or value is not None
        if value is None:
            place = f"row {row_number}, column {name!r}"
            problem = _refused("This is not a number", place, field, "Correct the number, or leave the field empty.")
            break
        values[i] = value
    if clocked or "time" in name.lower():
        values = _elapsed(values)
    return Column(found["name"] if found else name, found["unit"].strip() if found else "", values, problem)


def _elapsed(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Seconds since the first; a clock that passes midnight goes on."""
    known = np.flatnonzero(np.isfinite(seconds))
    if len(known) == 0:
        return seconds
    out = seconds - seconds[known[0]]
    jumps = np.zeros(len(seconds))
    jumps[known[1:]] = np.where(np.diff(seconds[known]) < -43_200.0, 86_400.0, 0.0)
    return np.asarray(out + np.cumsum(jumps))
