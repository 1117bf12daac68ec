"""``taperwise next``: the next step."""

from typing import Any

import typer
from rich.console import Console
from rich.table import Table

from taperwise.api.cli.context import Shop, opened, print_json
from taperwise.api.cli.database import AsJson, DatabaseUrl, DataFolder, Engine
from taperwise.api.cli.options import as_typed
from taperwise.api.log import service
from taperwise.api.log.stop import stop_words
from taperwise.api.presentation import prediction_text
from taperwise.api.presentation.chance_text import HAZARD
from taperwise.api.presentation.formatting import STAGES, about, chance, from_mark, stop, to_finish
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.shared.errors import NotConvergedError

__all__ = ["LOOK_FIRST", "next_step", "tell"]

LOOK_FIRST = 3
"""Exit status where something is to be looked at before anything is turned."""


def next_step(
    number: Engine, as_json: AsJson = False, data_folder: DataFolder = None, database_url: DatabaseUrl = None
) -> None:
    """Read the next step. Ends with 0; with 3 where something is to be looked at before anything is turned."""
    with opened(data_folder, database_url) as shop, as_typed(installation_id="NUMBER"):
        tell(shop, number, as_json, [])


def tell(shop: Shop, number: int, as_json: bool, warnings: list[str]) -> None:
    """Print the next step; end with `LOOK_FIRST` where it is to look first."""
    with shop.database.reading() as session:
        service.load(session, number)  # report an unknown installation before loading the model
        stop = stop_words(session, number)
    if stop:
        shop.console.print(f"STOP. {stop} Find the cause, then record it: taperwise acknowledge {number} CAUSE")
    shop.ready()
    with shop.console.status("working out the next step"):
        answered = shop.desk.answer_or_none(shop.database, number)
    if answered.suggestion is None:
        raise NotConvergedError("; ".join(answered.warnings), cure="Ask again with taperwise next.")
    if as_json:
        document: dict[str, Any] = answered.suggestion.model_dump(mode="json")
        print_json({**document, "warnings": [*warnings, *document["warnings"]]})
    else:
        _print(answered.suggestion, warnings)
    if answered.suggestion.action.kind == "inspect":
        raise typer.Exit(LOOK_FIRST)


def _print(s: SuggestionOut, warnings: list[str]) -> None:
    out = Console(highlight=False, markup=False)
    out.print(f"\n{s.action.instruction}", style="bold")
    if s.action.kind != "inspect":
        for line in prediction_text.lines(s.expected, s.stage, s.action.kind):
            out.print(f"  {line}")
    if s.runs_to_finish is not None:
        out.print(f"  {to_finish(s.runs_to_finish)}.")
    for line in filter(None, (s.read_next, s.when_coldest)):
        out.print(f"  {line}")
    out.print(f"  Why: {s.why}")
    c = s.confidence
    table = Table(title=f"How sure ({c.runs} runs; now: {STAGES[s.stage]})", title_justify="left")
    table.add_column("")
    table.add_column("chance", justify="right")
    table.add_column("")
    for name in ("full_throttle", "idle_mixture", "idle_speed"):
        stage = getattr(c, name)
        state = "confirmed" if stage.confirmed else "" if stage.observed else "not looked at"
        table.add_row(STAGES[name], chance(stage.chance_in_band), state)
    table.add_row("both mixtures", chance(c.both), "")
    table.add_row(HAZARD, chance(c.lean_chance), "")
    out.print(table)
    p = c.position
    out.print(f"  Needle {p.fitted_needle}, holder {from_mark(p.turns)}, idle stop {stop(p.idle_stop_turns)}.")
    if c.offset is not None:
        out.print(f"  Turns to target: {about(c.offset.median)}.")
    for warning in (*warnings, *s.warnings):
        out.print(f"  ! {warning}", style="bold")
    for finding in s.findings:
        out.print(f"  ! Run {finding.entry}: {finding.words}", style="bold")
    if s.findings:
        out.print("  Once you have looked: taperwise acknowledge NUMBER CAUSE --about trace")
    out.print("  Cautions:")
    for caution in s.cautions:
        out.print(f"   - {caution}")
