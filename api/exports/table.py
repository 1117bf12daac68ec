"""The log as a table, one row an entry: comma-separated values, or Parquet with a type for each column.

Every row tells how many there are in all, so what was cut short shows; nothing stands below the last one.
"""

import base64
import csv
import hashlib
import io
from datetime import datetime
from typing import Any, Literal, NamedTuple

from fastapi import Response
from sqlalchemy.orm import Session

from taperwise.api.installations import repository as installations
from taperwise.api.installations.stored import installation_of
from taperwise.api.log import service, stored
from taperwise.api.presentation.digits import read_with
from taperwise.api.presentation.formatting import sign
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.presentation.set_up_text import set_up_words
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import AirOut, EntryOut
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.model.inference import dataset
from taperwise.shared.records import Entry
from taperwise.shared.units import KINDS

__all__ = ["MEDIA", "Format", "Table", "as_csv", "as_parquet", "made", "plain", "response"]

Format = Literal["csv", "parquet"]

MEDIA: dict[Format, str] = {"csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet"}
"""Media type of each format."""

_COLUMNS = sorted((each for each in OBSERVATIONS if each.column), key=lambda each: bool(each.levels))
"""What is observed, quantities first."""


class Table(NamedTuple):
    """Headings, and rows of numbers, text, times and nothing."""

    headings: list[str]
    rows: list[list[Any]]


def response(session: Session, installation_id: int, form: Format = "csv") -> Response:
    """The table as a file to keep, with its digest and the number of its rows among the headers."""
    table = made(session, installation_id)
    content = as_csv(table) if form == "csv" else as_parquet(table)
    digest = base64.b64encode(hashlib.sha256(content).digest()).decode()
    return Response(
        content,
        media_type=MEDIA[form],
        headers={
            "Content-Disposition": f'attachment; filename="installation-{installation_id}.{form}"',
            "Repr-Digest": f"sha-256=:{digest}:",  # RFC 9530
            "Row-Count": str(len(table.rows)),
        },
    )


def made(session: Session, installation_id: int) -> Table:
    """The whole log, one row an entry, what holds now of each.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    owner = installation_of(installations.get(session, installation_id))
    entries = service.entries_of(session, installation_id)
    rows = []
    where = dataset.replay(owner.record(), ())[0]
    changed = [e.set_up.changes if e.set_up and e.set_up.meaning == "change" else None for e in entries]
    for entry, field in zip(entries, stored.elevations(changed, owner.elevation), strict=True):
        there = stored.at_field(owner, field)
        record = _record(entry, there)
        if record is not None:
            where = where.after(record, owner.record())
        rows.append([*_row(entry, there, where), len(entries)])
    return Table([*_headings(owner.units), "rows in all"], rows)


def as_csv(table: Table) -> bytes:
    """Comma-separated values in UTF-8 with one line of headings."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\r\n")
    out.writerow(table.headings)
    out.writerows([_written(x) for x in row] for row in table.rows)
    return text.getvalue().encode()


def as_parquet(table: Table) -> bytes:
    """Parquet: numbers, times and text as such, empty cells as missing."""
    import pyarrow  # a tenth of a second that a start does without
    from pyarrow import parquet

    columns = list(zip(*table.rows, strict=True)) or [()] * len(table.headings)
    arrays = [pyarrow.array(column) for column in columns]
    found = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_arrays(arrays, names=table.headings), found)
    return found.getvalue()


def _written(value: Any) -> Any:
    """A cell as text that no spreadsheet takes for a formula."""
    if isinstance(value, datetime):
        return value.isoformat()
    return plain(value) if isinstance(value, str) else value


def _headings(units: Units) -> list[str]:
    def named(heading: str, kind: str) -> str:
        every = KINDS[kind].units if kind else ()
        unit = sign(getattr(units, kind, every[0] if len(every) == 1 else "1"))
        return f"{heading} [{unit}]" if unit else heading

    return [
        "entry", "kind", "time", "state", "needle", "holder from mark [turns, + richer]",
        "idle stop screw [turns, + faster]",
        named("air temperature", "temperature"), named("station pressure", "pressure"), "density ratio", "EGT seen",
        *(named(each.column, each.kind) for each in _COLUMNS), "sureness", "adjustment", "note",
    ]  # fmt: skip


def _now(entry: EntryOut) -> Any:
    """What holds of an entry: its latest correction, or itself."""
    return entry.corrections[-1] if entry.corrections and not entry.voided else entry


def _record(entry: EntryOut, owner: InstallationIn) -> Entry | None:
    now = _now(entry)
    if entry.voided:
        return None
    if now.run is not None:
        run: Entry = now.run.record(owner.elevation)
        return run
    if now.adjustment is not None:
        adjustment: Entry = now.adjustment.record()
        return adjustment
    return None


def _row(entry: EntryOut, owner: InstallationIn, where: dataset.Position) -> list[Any]:
    now = _now(entry)
    state = "voided" if entry.voided else "corrected" if entry.corrections else "as recorded"
    head = [
        entry.sequence, entry.kind, entry.time, state, where.needle, round(where.turns, 9),
        round(where.idle_stop_turns, 9),
    ]  # fmt: skip
    if now.run is None:
        said = entry.acknowledged.cause if entry.acknowledged else entry.set_up.note if entry.set_up else ""
        done = "" if now.adjustment is None else _adjustment(now.adjustment.model_dump(mode="json"))
        if entry.set_up is not None:
            with read_with("."):
                done = set_up_words(entry.set_up, owner.units)
        note = now.adjustment.note if now.adjustment else said
        return [*head, *([None] * (4 + len(_COLUMNS) + 1)), done or None, note or None]
    return [*head, *_run(now.run, owner), None, now.run.note or None]


def _run(run: RunIn, owner: InstallationIn) -> list[Any]:
    units = owner.units
    record = run.record(owner.elevation)
    air = AirOut.of(record.air, units)
    return [
        air.temperature.value,
        air.pressure.value,
        air.density_ratio,
        None if record.rise is None else record.rise.seen.value,
        *(each.cell(run, units) for each in _COLUMNS),
        run.sureness,
    ]


def _adjustment(document: dict[str, Any]) -> str:
    kept = ("kind", "turns", "needle", "turns_from_mark", "part", "fuel")
    return " ".join(f"{name}={document[name]}" for name in kept if document.get(name) is not None)


def plain(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
