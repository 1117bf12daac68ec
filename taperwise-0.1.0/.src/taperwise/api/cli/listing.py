"""``taperwise list``: all engines, those in danger first. It loads no model."""

import json
from datetime import UTC, datetime
from typing import Annotated, Any

import typer
from rich import box
from rich.console import Console
from rich.table import Column, Table

from taperwise.api.accounts.principal import COMMAND_LINE
from taperwise.api.cli.database import AsJson, DatabaseUrl, DataFolder, opened_database
from taperwise.api.core.settings import Settings
from taperwise.api.presentation.chance_text import HAZARD_SHORT, STAGES, chance
from taperwise.api.presentation.overview_text import SEVERITIES, flag_words
from taperwise.api.recommendations.status_query import EngineStatus, Severity, overview

__all__ = ["listing"]

_MOST_LISTED = 1000
_HEADINGS = ("engine", "attention", "owner", "stage", "both in target", HAZARD_SHORT, "runs", "days idle")
_WIDE, _WHERE_WIDE = 110, ("owner", "stage")
"""Columns of a terminal from which all headings are shown, and those that narrower ones go without."""


def listing(
    name: Annotated[str, typer.Option(help="Part of the name, or the number.")] = "",
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """List the engines, those in danger first. With --name, list those whose name or number matches."""
    with opened_database(data_folder, database_url) as (database, _), database.reading() as session:
        found = overview(session, COMMAND_LINE, Settings().seed, datetime.now(UTC), name=name)
    if as_json:
        typer.echo(json.dumps([_row(each) for each in found[:_MOST_LISTED]], indent=1, ensure_ascii=False))
        return
    console = Console(highlight=False, markup=False)
    for each in found:
        if each.severity in (Severity.STOP, Severity.LEAN):
            console.print(f"! {SEVERITIES[each.severity]}: {each.number} {each.name}. {'. '.join(_words(each))}.")
    headings = _HEADINGS if console.width >= _WIDE else tuple(h for h in _HEADINGS if h not in _WHERE_WIDE)
    table = Table("no.", *(Column(heading, overflow="fold") for heading in headings), box=box.SIMPLE_HEAD)
    for each in found[:_MOST_LISTED]:
        cells = {
            "engine": each.name,
            "attention": next(iter(_words(each)), SEVERITIES[each.severity]),
            "owner": each.owner,
            "stage": STAGES.get(each.stage or "", ""),
            "both in target": _chance(each.chance_both),
            HAZARD_SHORT: _chance(each.lean_chance),
            "runs": str(each.runs),
            "days idle": "" if each.idle_days is None else str(each.idle_days),
        }
        table.add_row(str(each.number), *(cells[heading] for heading in headings))
    console.print(table)
    if len(found) > _MOST_LISTED:
        typer.echo(f"The first {_MOST_LISTED} of {len(found)}: --name finds the others.", err=True)


def _chance(x: float | None) -> str:
    return "" if x is None else chance(x)


def _words(each: EngineStatus) -> list[str]:
    return [
        flag_words(flag.value, lean_chance=each.lean_chance, doubt=each.doubt, idle_days=each.idle_days)
        for flag in each.flags
    ]


def _row(each: EngineStatus) -> dict[str, Any]:
    return {
        "id": each.number,
        "name": each.name,
        "owner": each.owner,
        "severity": each.severity.value,
        "flags": [flag.value for flag in each.flags],
        "stage": each.stage,
        "chance_both": each.chance_both,
        "lean_chance": each.lean_chance,
        "runs": each.runs,
        "idle_days": each.idle_days,
    }
