"""The log as a table of comma-separated values, closed by the number of its rows."""

import csv
import io
from typing import Any

from fastapi import Response
from sqlalchemy.orm import Session

from taperwise.api.installations import repository as installations
from taperwise.api.log import service
from taperwise.api.presentation.formatting import sign
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import AirOut, EntryOut
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.model.inference import dataset
from taperwise.shared.records import Entry
from taperwise.shared.units import KINDS

__all__ = ["plain", "response", "written"]

_COLUMNS = sorted((each for each in OBSERVATIONS if each.column), key=lambda each: bool(each.levels))
"""What is observed, quantities first."""


def response(session: Session, installation_id: int) -> Response:
    """The table as a file to keep."""
    return Response(
        written(session, installation_id),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="installation-{installation_id}.csv"'},
    )


def written(session: Session, installation_id: int) -> str:
    """The whole log, one row an entry, what holds now of each.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    owner = InstallationIn.model_validate(installations.get(session, installation_id).document)
    entries = service.entries_of(session, installation_id)
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\r\n")
    out.writerow(_headings(owner.units))
    where = dataset.replay(owner.record(), ())[0]
    for entry in entries:
        record = _record(entry, owner)
        if record is not None:
            where = where.after(record, owner.record())
        out.writerow(_row(entry, owner, where))
    out.writerow(["rows", len(entries)])
    return text.getvalue()


def _headings(units: Units) -> list[str]:
    def named(heading: str, kind: str) -> str:
        every = KINDS[kind].units if kind else ()
        unit = sign(getattr(units, kind, every[0] if len(every) == 1 else "1"))
        return f"{heading} [{unit}]" if unit else heading

    return [
        "entry", "kind", "time", "state", "needle", "screw from mark [turns, + richer]", "idle stop [turns, + faster]",
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
        entry.sequence, entry.kind, entry.time.isoformat(), state, plain(where.needle), _number(where.turns),
        _number(where.idle_stop_turns),
    ]  # fmt: skip
    if now.run is None:
        said = entry.acknowledged.cause if entry.acknowledged else ""
        done = "" if now.adjustment is None else _adjustment(now.adjustment.model_dump(mode="json"))
        note = now.adjustment.note if now.adjustment else said
        return [*head, *([""] * (4 + len(_COLUMNS) + 1)), plain(done), plain(note)]
    return [*head, *_run(now.run, owner), "", plain(now.run.note)]


def _run(run: RunIn, owner: InstallationIn) -> list[Any]:
    units = owner.units
    record = run.record(owner.elevation)
    air = AirOut.of(record.air, units)
    return [
        air.temperature.value,
        air.pressure.value,
        air.density_ratio,
        "" if record.rise is None else record.rise.seen.value,
        *(each.cell(run, units) for each in _COLUMNS),
        run.sureness,
    ]


def _adjustment(document: dict[str, Any]) -> str:
    kept = ("kind", "turns", "needle", "turns_from_mark", "part", "fuel")
    return " ".join(f"{name}={document[name]}" for name in kept if document.get(name) is not None)


def _number(x: float) -> str:
    return f"{x:.10g}"


def plain(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
