"""``taperwise sheet``: what goes into the papers."""

import dataclasses
import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from taperwise.api.cli.context import opened, print_json, writable, write_bytes
from taperwise.api.cli.database import AsJson, DatabaseUrl, DataFolder, Engine, Force
from taperwise.api.cli.options import as_typed
from taperwise.api.exports import archive, netcdf, table
from taperwise.api.exports.sheet import as_pdf, sheet_of
from taperwise.api.log import service
from taperwise.api.presentation.formatting import moment
from taperwise.api.web.history import entries_of
from taperwise.api.web.photos import photo_data
from taperwise.api.web.rendering import fragment

__all__ = ["sheet"]


def sheet(
    number: Engine,
    pdf: Annotated[Path | None, typer.Option(help="Write the sheet as PDF.")] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the log as a table, its checksum beside it.")] = None,
    parquet: Annotated[
        Path | None, typer.Option(help="Write the log as a Parquet table, its checksum beside it.")
    ] = None,
    draws: Annotated[Path | None, typer.Option(help="Write all draws as netCDF for ArviZ.")] = None,
    export: Annotated[Path | None, typer.Option(help="Write the export file, to import elsewhere.")] = None,
    as_json: AsJson = False,
    force: Force = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Print the tuning sheet, or write it to files."""
    files = {"--pdf": pdf, "--csv": csv, "--parquet": parquet, "--draws": draws, "--export": export}
    for option, path in files.items():
        writable(option, path, force=force)
    with opened(data_folder, database_url) as shop, as_typed(installation_id="NUMBER"):
        with shop.database.reading() as session:
            log = service.load(session, number)
            for option, path, written in (("--csv", csv, table.as_csv), ("--parquet", parquet, table.as_parquet)):
                if path is not None:
                    _write_with_checksum(option, path, written(table.made(session, number)))
            if export is not None:
                packed = archive.pack(session, number).model_dump(mode="json")
                write_bytes("--export", export, json.dumps(packed, indent=1).encode())
        if (csv or parquet or export) and not (pdf or draws or as_json):
            return
        shop.ready()
        if draws is not None:
            with shop.console.status("drawing"):
                write_bytes("--draws", draws, netcdf.netcdf(shop.desk.posterior(log)))
            if not (pdf or as_json):
                return
        with shop.console.status("working out where it stands"):
            answer = shop.desk.answer(shop.database, number)
        made = sheet_of(log, entries_of(shop.database, number), answer, datetime.now(UTC))
        if pdf is not None:
            # imported late: loads altair and vl-convert, about a second
            from taperwise.api.charts.data import ChartData
            from taperwise.api.charts.registry import on_paper

            with shop.console.status("looking back on every run"):
                pictures = on_paper(ChartData(shop.desk, shop.database).portraits(log), log)
            with shop.database.reading() as session:
                photos = photo_data(session, number)
            html = fragment("sheet_print.html", sheet=made, name=made.name, pictures=pictures, photos=photos)
            write_bytes("--pdf", pdf, as_pdf(html))
    if as_json:
        print_json({**dataclasses.asdict(made), "made_at": made.made_at.isoformat(), "lines": _lines(made.lines)})
    elif pdf is None:
        _print_sheet(made)


def _write_with_checksum(option: str, path: Path, content: bytes) -> None:
    """A file, and beside it what `sha256sum --check` reads."""
    write_bytes(option, path, content)
    digest = hashlib.sha256(content).hexdigest()
    write_bytes(option, path.with_name(f"{path.name}.sha256"), f"{digest}  {path.name}\n".encode())


def _lines(lines: Any) -> list[dict[str, Any]]:
    return [
        {
            "number": x.number,
            "time": x.time.isoformat(),
            "kind": x.kind,
            "words": x.words,
            "state": x.state,
            "note": x.note,
            "findings": list(x.findings),
        }
        for x in lines
    ]


def _print_sheet(made: Any) -> None:
    out = Console(highlight=False, markup=False)
    out.print(f"\nTuning sheet: {made.name}, {moment(made.made_at)}", style="bold")
    out.print(made.verdict, style="bold")
    pairs = Table(show_header=False)
    for name, value in (*made.setting, *made.confidence):
        pairs.add_row(name, value)
    out.print(pairs)
    log = Table("no.", "when", "what")
    for line in made.lines:
        log.add_row(
            str(line.number), moment(line.time), f"{line.kind}{f' ({line.state})' if line.state else ''}: {line.words}"
        )
    out.print(log)
    out.print(f"{len(made.lines)} entries. {made.made_from}.")
    for caution in made.cautions:
        out.print(f" - {caution}")
