"""A spreadsheet's tables as text, read in a process of its own with little memory and time.

A small file can stand for a table of billions of cells: whatever it does, it does it here. The file comes on standard
input. The answer is a JSON object: for each sheet with rows, its name and its rows as text with tabs.
"""

import csv
import io
import json
import resource
import subprocess
import sys
from datetime import date, datetime, time, timedelta
from typing import Any

__all__ = ["NO_LIBRARY", "tables"]

NO_LIBRARY = 4
"""What the process ends with where the extra is not installed."""

_MEMORY, _SECONDS = 1 << 30, 20


def tables(data: bytes) -> dict[str, str]:
    """The tables of a spreadsheet by the name of their sheet.

    Raises
    ------
    ModuleNotFoundError
        If the extra for spreadsheets is not installed.
    ValueError
        If it cannot be read, or takes too much memory or time.
    """
    command = [sys.executable, "-P", "-m", __name__]
    done = subprocess.run(command, input=data, capture_output=True, check=False)  # noqa: S603 - our own
    if done.returncode == NO_LIBRARY:
        raise ModuleNotFoundError("python_calamine")
    if done.returncode:
        raise ValueError(f"ended with {done.returncode}")
    found: dict[str, str] = json.loads(done.stdout)
    return found


def _cell(value: Any) -> str:
    """A cell as text; dates and times as ISO 8601 writes them."""
    match value:
        case datetime():
            return value.isoformat(sep=" ")
        case timedelta():
            return f"{value.total_seconds():.6f}"
        case date() | time():
            return value.isoformat()
        case float():
            return f"{value:.12g}"
    return str(value)


def _text(rows: list[list[Any]]) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter="\t", lineterminator="\n").writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _main() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
    resource.setrlimit(resource.RLIMIT_CPU, (_SECONDS, _SECONDS))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        from python_calamine import CalamineWorkbook  # optional: of the extra "spreadsheets"
    except ModuleNotFoundError:
        sys.exit(NO_LIBRARY)
    book = CalamineWorkbook.from_filelike(io.BytesIO(sys.stdin.buffer.read()))
    sheets = {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}
    print(json.dumps({name: _text(rows) for name, rows in sheets.items() if len(rows) > 1}))


if __name__ == "__main__":
    _main()
