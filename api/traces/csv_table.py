"""A table of columns from CSV text, whatever its separator, decimal sign and clock.

Commas, semicolons, tabs or strokes, decimal comma, grouped thousands, units in the headings, in a row of their own or
behind each number, seconds or clock times or dates, gaps. What cannot be read is named with its row and column.
"""

import csv
import io
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.api.traces.column_units import is_unit
from taperwise.api.traces.numbers import Decimal, decimal_of, is_gap, number
from taperwise.api.traces.times import moments
from taperwise.shared.errors import InvalidValueError

__all__ = ["MOST_CELLS", "MOST_COLUMNS", "MOST_ROWS", "Column", "Rows", "read_rows", "read_table"]

MOST_ROWS = 200_000
"""Rows beyond which a file is refused."""

MOST_COLUMNS = 200
"""Columns beyond which a file is refused."""

MOST_CELLS = 4_000_000
"""Rows times columns beyond which a file is refused."""

_LONGEST_LINE = 20_000  # characters: a hundred for each of the most columns
_LONGEST_HEADING = 200
_LONGEST_UNIT = 10

_UNIT = re.compile(r"^(?P<name>.*?)\s*[\(\[](?P<unit>[^\)\]]*)[\)\]]\s*$")
_BARE_UNIT = re.compile(r"^(?P<name>.*\S)[\s_,/]+(?P<unit>\S+|deg\.? [a-z])$", re.IGNORECASE)
_BEHIND = re.compile(r"^(?P<number>[+-]?[\d.,]*\d)\s*(?P<unit>[^\d\s.,:/-][^\d:]*)$")
_SHORTEST_UNIT = 2  # characters of a unit that stands in a heading without brackets: F could be a cylinder's letter


@dataclass(frozen=True, eq=False)
class Column:
    """One column: its heading without the unit, its unit if any, and its values (NaN for a gap).

    `problem` is the first field that is no number: a column of remarks hurts nobody until it is asked for. `clock`
    says that its fields are moments, and `without_hours` that they are written as 13:59.
    """

    name: str
    unit: str
    readable: NDArray[np.float64]
    problem: InvalidValueError | None = None
    clock: bool = False
    without_hours: bool = False

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


@dataclass(frozen=True)
class Rows:
    """The headings of a table and the rows below them, each with its number in the file."""

    names: list[str]
    body: list[tuple[int, list[str]]]
    separator: str


def read_table(text: str, decimal: Decimal | None = None, date_order: str | None = None) -> list[Column]:
    """Read a table.

    Parameters
    ----------
    text : str
        The file.
    decimal : str, optional
        ``.`` or ``,``; as the fields show if left out.
    date_order : str, optional
        ``day_first`` or ``month_first``; as the dates show if left out.

    Returns
    -------
    list of Column
        In the file's order. Moments come as seconds: since midnight for clock times, since some day for dates.

    Raises
    ------
    InvalidValueError
        If there is no heading, no row, or too much of it, or a line or a quote that does not end. A field that is no
        number, or could be two, is named with its row when its column is used.
    """
    rows = read_rows(text)
    fields = [[row[k].strip() if k < len(row) else "" for _, row in rows.body] for k in range(len(rows.names))]
    shown = [decimal_of(each) for each in fields]
    everywhere = set().union(*(sure for sure, _ in shown))
    numbers = [number for number, _ in rows.body]
    out = []
    for name, column, (sure, either) in zip(rows.names, fields, shown, strict=True):
        if name:
            sign = decimal or _sign(sure or everywhere, rows.separator, column if either else [])
            out.append(_column(name, column, numbers, sign, date_order))
    return out


def read_rows(text: str) -> Rows:
    """The headings and rows of a table, as text; errors as `read_table`.

    The heading is the first line as wide as the table without a number in it. A row of units below the heading, or
    above it, is joined to it. Below, the same rows once more, comments and a last row that was cut off are left out.
    """
    lines = _lines(text.removeprefix("\ufeff"))
    separator = _separator(lines[:50])
    rows = _rows(lines, separator)
    head = _head_of(rows[:50])
    if head is None:
        raise _refused(
            "The file has no line of headings", "row 1", "", "Put the names of the columns in the first line."
        )
    names, begin = rows[head], head + 1
    if _are_units(names) and begin < len(rows) and _is_heading(rows[begin]):
        names, begin = _with_units(rows[begin], names), begin + 1
    elif begin < len(rows) and _are_units(rows[begin]):
        names, begin = _with_units(names, rows[begin]), begin + 1
    names = _distinct(_headings(names, head + 1))
    again = [_stripped(row) for row in rows[head:begin]]
    body = [(begin + 1 + i, row) for i, row in enumerate(rows[begin:]) if _is_record(row, again)]
    if not text.endswith(tuple(_LINE_ENDS)) and len(body) > 1 and len(body[-1][1]) < len(body[-2][1]):
        body.pop()  # cut off: its last field would be another number
    if not body:
        raise _refused("The file has no row below the headings", f"row {begin + 1}", "", "Export the file again.")
    if len(body) > MOST_ROWS:
        raise _refused(f"more than {MOST_ROWS} rows", f"row {body[MOST_ROWS][0]}", len(body), _CUT)
    if len(body) * len(names) > MOST_CELLS:
        seen = f"{len(body)} rows of {len(names)} columns"
        raise _refused(f"more than {MOST_CELLS} fields", f"row {body[-1][0]}", seen, _CUT)
    _check_width(names, body, separator)
    return Rows(names, body, separator)


def _stripped(row: list[str]) -> list[str]:
    return [field.strip() for field in row]


def _is_record(row: list[str], headings: list[list[str]]) -> bool:
    """Whether this row holds something, and neither the headings once more nor a comment."""
    fields = _stripped(row)
    comment = fields[:1] and fields[0].startswith("#") and not _is_data(row)
    return any(fields) and fields not in headings and not comment


def _check_width(names: list[str], body: list[tuple[int, list[str]]], separator: str) -> None:
    """Refuse rows with more fields than headings: a decimal comma between commas would shift every column."""
    for place, row in body:
        if len(row) > len(names) and any(field.strip() for field in row[len(names) :]):
            cure = "Export it with semicolons or tabs between the fields." if separator == "," else "Name every column."
            raise _refused("there are more fields than headings", f"row {place}", separator.join(row)[:60], cure)


def _sign(shown: set[Decimal], separator: str, either: list[str]) -> Decimal | None:
    """The decimal sign of a column; None where it could be either."""
    if len(shown) == 1:
        return next(iter(shown))
    doubtful = any("," in field for field in either) or (bool(either) and separator != ",")
    return None if doubtful else "."


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
    counts = {s: sorted(line.count(s) for line in lines if line.strip()) for s in (";", "\t", "|", ",")}
    middle = {s: c[len(c) // 2] if c else 0 for s, c in counts.items()}
    return next((s for s in (";", "\t", "|") if middle[s] > 0), ",")


def _head_of(rows: list[list[str]]) -> int | None:
    """The first heading as wide as most rows are, with numbers below: what stands above the table is passed over."""
    width = int(np.median([len(row) for row in rows if len(row) > 1] or [0]))
    headings = [i for i, row in enumerate(rows) if _is_heading(row)]
    wide = [i for i in headings if len(rows[i]) >= width - 1] or headings
    below = {i: next((row for row in rows[i + 1 :] if any(f.strip() for f in row)), []) for i in wide}
    first = next((i for i in wide if _are_units(below[i]) or _are_units(rows[i]) or _is_data(below[i])), None)
    return first if first is not None else next(iter(wide), None)


def _is_data(row: list[str]) -> bool:
    fields = [f.strip() for f in row if f.strip()]
    return 2 * sum(_is_value(f) or is_gap(f) for f in fields) >= len(fields) > 0


def _is_heading(row: list[str]) -> bool:
    fields = [f.strip() for f in row if f.strip()]
    return len(fields) >= 2 and not any(_is_value(f) for f in fields)


def _is_value(field: str) -> bool:
    if number(field, ".") is not None or number(field, ",") is not None:
        return True
    try:
        return bool(np.isfinite(moments([field], None)[0]).any())
    except InvalidValueError:
        return False


def _are_units(row: list[str]) -> bool:
    """Whether this is a row of units: one that is known, and nothing else that is longer than a unit."""
    fields = [_bare(f) for f in row if f.strip()]
    known = any(is_unit(f) and not is_gap(f) for f in fields)
    return known and not any(len(f) > _LONGEST_UNIT or _is_value(f) or "egt" in f.lower() for f in fields)


def _bare(field: str) -> str:
    return field.strip().removeprefix("(").removesuffix(")").removeprefix("[").removesuffix("]").strip()


def _with_units(names: list[str], units: list[str]) -> list[str]:
    padded = [*units, *[""] * len(names)]
    return [
        f"{name.strip()} ({_bare(unit)})" if name.strip() and unit.strip() and not _UNIT.match(name) else name
        for name, unit in zip(names, padded, strict=False)
    ]


def _heading(name: str) -> tuple[str, str]:
    """A heading's name and unit, in brackets or behind a space, an underscore or a stroke."""
    found = _UNIT.match(name)
    if found is None and (bare := _BARE_UNIT.match(name)) and len(bare["unit"]) >= _SHORTEST_UNIT:
        found = bare if is_unit(bare["unit"]) else None
    return (found["name"], found["unit"].strip()) if found else (name, "")


def _column(name: str, fields: list[str], rows: list[int], decimal: Decimal | None, order: str | None) -> Column:
    heading, unit = _heading(name)
    fields, behind = _without_unit(fields)
    values, wrong = _numbers(fields, decimal or ".")
    if wrong is None and decimal is not None:
        return Column(heading, unit or behind, values)
    place = f"row {rows[wrong or 0]}, column {name!r}"
    if wrong is None:
        seen = next(f for f in fields if decimal_of([f])[1])
        problem = InvalidValueError(
            f"{place}: the sign could part decimals or thousands", field="mapping.decimal", value=seen,
            cure='Give "." or ",", the sign before decimals, or export numbers without signs between thousands.',
        )  # fmt: skip
        return Column(heading, unit or behind, values, problem)
    try:
        seconds, no_moment = moments(fields, order)
    except InvalidValueError as asked:
        return Column(heading, unit, values, asked)
    if no_moment is None or np.isfinite(seconds).any():
        wrong_moment = (
            None if no_moment is None else _no_number(f"row {rows[no_moment]}, column {name!r}", fields[no_moment])
        )
        short = all(f.count(":") == 1 for f in fields if ":" in f) and not any(" " in f for f in fields)
        return Column(heading, unit, seconds, wrong_moment, clock=True, without_hours=short)
    return Column(heading, unit, values, _no_number(place, fields[wrong]))


def _no_number(place: str, field: str) -> InvalidValueError:
    return _refused("This is not a number", place, field, "Correct it, or leave the field empty.")


def _without_unit(fields: list[str]) -> tuple[list[str], str]:
    """The fields without a unit that stands behind every number, and that unit."""
    first = next((f for f in fields if not is_gap(f)), "")
    found = _BEHIND.fullmatch(first)
    if found is None or not is_unit(found["unit"]):
        return fields, ""
    return [f.removesuffix(found["unit"]).rstrip() for f in fields], found["unit"]


def _numbers(fields: list[str], decimal: Decimal) -> tuple[NDArray[np.float64], int | None]:
    """The numbers, NaN for a gap, and the index of the first that is none."""
    values = np.full(len(fields), np.nan)
    for i, field in enumerate(fields):
        value = number(field, decimal)
        if value is not None:
            values[i] = value
        elif not is_gap(field):
            return values, i
    return values, None
