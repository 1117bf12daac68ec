"""``taperwise next`` and ``list``: the next step, and all installations."""

from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from taperwise.api.cli.context import Shop, opened, print_json
from taperwise.api.installations import repository
from taperwise.api.log import service
from taperwise.api.presentation import prediction_text
from taperwise.api.presentation.formatting import STAGES, about, chance, from_mark, stop, to_finish
from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.shared.errors import NotConvergedError

__all__ = ["LOOK_FIRST", "listing", "next_step", "tell"]

LOOK_FIRST = 3
"""Exit status where something is to be looked at before anything is turned."""

_Number = Annotated[int, typer.Argument(min=1, help="Number of the installation.")]
_Json = Annotated[bool, typer.Option("--json", help="One JSON object instead of a table.")]


def next_step(number: _Number, as_json: _Json = False) -> None:
    """Read the next step. Ends with 0; with 3 where something is to be looked at before anything is turned."""
    with opened() as shop:
        tell(shop, number, as_json, [])


def tell(shop: Shop, number: int, as_json: bool, warnings: list[str]) -> None:
    """Print the next step; end with `LOOK_FIRST` where it is to look first."""
    with shop.database.reading() as session:
        service.load(session, number)  # report an unknown installation before loading the model
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
    table.add_column("chance of being right", justify="right")
    table.add_column("")
    for name in ("full_throttle", "idle_mixture", "idle_speed"):
        stage = getattr(c, name)
        state = "confirmed" if stage.confirmed else "" if stage.observed else "not looked at"
        table.add_row(STAGES[name], chance(stage.chance_in_band), state)
    table.add_row("both mixtures", chance(c.both), "")
    table.add_row("lean of peak at full throttle", chance(c.lean_chance), "")
    out.print(table)
    p = c.position
    out.print(
        f"  Needle {p.fitted_needle}, screw {from_mark(p.turns)}, idle stop {stop(p.idle_stop_turns)}; to the middle "
        f"of the band: {about(c.offset.median)}."
    )
    for warning in (*warnings, *s.warnings):
        out.print(f"  ! {warning}", style="bold")
    for finding in s.findings:
        out.print(f"  ! Run {finding.entry}: {finding.words}", style="bold")
    if s.findings:
        out.print("  Once you have looked: taperwise acknowledge NUMBER WHAT-IT-WAS --about trace")
    out.print("  Cautions:")
    for caution in s.cautions:
        out.print(f"   - {caution}")


_MOST_LISTED = 1000


def listing(
    name: Annotated[str, typer.Option(help="Part of the name, or the number.")] = "", as_json: _Json = False
) -> None:
    """List the installations, the newest first; with --name those that are looked for."""
    with opened() as shop:
        with shop.database.reading() as session:
            total, found = repository.page(session, _MOST_LISTED, 0, name=name)
            rows = [(row.id, row.document.get("name", "")) for row in found]
        kept = [(number, called, shop.desk.kept(shop.database, number)) for number, called in rows]
    if as_json:
        print_json(
            [
                {
                    "id": number,
                    "name": called,
                    "stage": None if s is None else s.stage,
                    "both": None if s is None else s.confidence.both,
                    "runs": None if s is None else s.confidence.runs,
                }
                for number, called, s in kept
            ]
        )
        return
    table = Table("no.", "name", "stage", "both mixtures right", "runs")
    for number, called, s in kept:
        told = ("", "", "") if s is None else (STAGES[s.stage], chance(s.confidence.both), str(s.confidence.runs))
        table.add_row(str(number), called, *told)
    Console(highlight=False, markup=False).print(table)
    if total > len(kept):
        typer.echo(f"The newest {len(kept)} of {total}: --name finds the others.", err=True)
