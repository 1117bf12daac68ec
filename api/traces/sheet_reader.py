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
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from typing import Any

from taperwise.shared.errors import BusyError

__all__ = ["NO_LIBRARY", "TOO_LONG", "tables"]

NO_LIBRARY = 4
"""What the process ends with where the extra is not installed."""

TOO_LONG = 5
"""What it ends with where a sheet is longer than a trace may be: the service reads no more of it."""

_MEMORY, _SECONDS = 1 << 30, 20
_MOST = 12_000_000
"""Characters of a sheet at most, as many as a trace may have."""

_TURN, _PATIENCE_SECONDS = threading.Lock(), 5.0


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    if not _TURN.acquire(timeout=_PATIENCE_SECONDS):
        raise BusyError("The service reads another spreadsheet", cure="Send the spreadsheet again in a moment.")
    try:
        yield
    finally:
        _TURN.release()


def tables(data: bytes) -> dict[str, str]:
    """The tables of a spreadsheet by the name of their sheet.

    Raises
    ------
    ModuleNotFoundError
        If the extra for spreadsheets is not installed.
    ValueError
        If it cannot be read, is too long, or takes too much memory or time.
    BusyError
        If others are read first.
    """
    command = [sys.executable, "-P", "-m", __name__]
    with _one_at_a_time():
        try:
            done = subprocess.run(  # noqa: S603 - our own
                command, input=data, capture_output=True, check=False, timeout=_SECONDS
            )
        except subprocess.TimeoutExpired:
            raise ValueError("took too long") from None
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
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    for row in rows:
        writer.writerow([_cell(value) for value in row])
        if out.tell() > _MOST:
            sys.exit(TOO_LONG)
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
    found: dict[str, str] = {}
    for name in book.sheet_names:
        rows = book.get_sheet_by_name(name).to_python()
        if len(rows) > 1:
            found[name] = _text(rows)
        if sum(map(len, found.values())) > _MOST:
            sys.exit(TOO_LONG)
    print(json.dumps(found))


if __name__ == "__main__":
    _main()
