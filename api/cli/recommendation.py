"""``taperwise next``, ``list`` and ``sheet``: the next step, all installations, and what goes into the papers."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from taperwise.shared.errors import NotConvergedError

if TYPE_CHECKING:
    from taperwise.api.cli.context import Shop
    from taperwise.api.schemas.recommendation import SuggestionOut

__all__ = ["LOOK_FIRST", "listing", "next_step", "sheet", "tell"]

LOOK_FIRST = 3
"""Exit status where something is to be looked at before anything is turned."""

_Number = Annotated[int, typer.Argument(min=1, help="Number of the installation.")]
_Json = Annotated[bool, typer.Option("--json", help="One JSON object instead of a table.")]


def next_step(number: _Number, as_json: _Json = False) -> None:
    """Read the next step. Ends with 0; with 3 where something is to be looked at before anything is turned."""
    from taperwise.api.cli.context import opened

    with opened() as shop:
        tell(shop, number, as_json, [])


def tell(shop: "Shop", number: int, as_json: bool, warnings: list[str]) -> None:
    """Print the next step; end with `LOOK_FIRST` where it is to look first."""
    from taperwise.api.cli.context import print_json
    from taperwise.api.log import service

    with shop.database.reading() as session:
        service.load(session, number)  # one that is not there is told before the model is made ready
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


def _print(s: "SuggestionOut", warnings: list[str]) -> None:
    from rich.console import Console
    from rich.table import Table

    from taperwise.api.presentation import prediction_text
    from taperwise.api.presentation.formatting import STAGES, about, chance, from_mark, stop, to_finish

    out = Console(highlight=False, markup=False)
    out.print(f"\n{s.action.instruction}", style="bold")
    if s.action.kind != "inspect":
        for line in prediction_text.lines(s.expected, s.stage, s.action.kind):
            out.print(f"  {line}")
    if s.runs_to_finish is not None:
        out.print(f"  {to_finish(s.runs_to_finish)}.")
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
    out.print("  Cautions:")
    for caution in s.cautions:
        out.print(f"   - {caution}")


_MOST_LISTED = 1000


def listing(
    name: Annotated[str, typer.Option(help="Part of the name, or the number.")] = "", as_json: _Json = False
) -> None:
    """List the installations, the newest first; with --name those that are looked for."""
    from rich.console import Console
    from rich.table import Table

    from taperwise.api.cli.context import opened, print_json
    from taperwise.api.installations import repository
    from taperwise.api.presentation.formatting import STAGES, chance

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


def sheet(
    number: _Number,
    pdf: Annotated[Path | None, typer.Option(help="Write the sheet as PDF.")] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the log as a table.")] = None,
    export: Annotated[Path | None, typer.Option(help="Write everything, to be brought in elsewhere.")] = None,
    as_json: _Json = False,
) -> None:
    """The sheet for the papers: print it, or write it to files."""
    import dataclasses
    import json
    from datetime import UTC, datetime

    from taperwise.api.cli.context import opened, print_json
    from taperwise.api.exports import archive, table
    from taperwise.api.exports.sheet import as_pdf, sheet_of
    from taperwise.api.log import service
    from taperwise.api.web.history import entries_of
    from taperwise.api.web.rendering import fragment

    with opened() as shop:
        with shop.database.reading() as session:
            log = service.load(session, number)
            if csv is not None:
                csv.write_text(table.written(session, number), encoding="utf-8", newline="")
            if export is not None:
                packed = archive.pack(session, number).model_dump(mode="json")
                export.write_text(json.dumps(packed, indent=1), encoding="utf-8")
        if (csv or export) and not (pdf or as_json):
            return
        shop.ready()
        with shop.console.status("working out where it stands"):
            answer = shop.desk.answer(shop.database, number)
        made = sheet_of(log, entries_of(shop.database, number), answer, datetime.now(UTC))
        if pdf is not None:
            from taperwise.api.charts.data import ChartData
            from taperwise.api.charts.registry import on_paper

            with shop.console.status("looking back on every run"):
                pictures = on_paper(ChartData(shop.desk, shop.database).portraits(log), log)
            pdf.write_bytes(as_pdf(fragment("sheet_print.html", sheet=made, name=made.name, pictures=pictures)))
    if as_json:
        print_json({**dataclasses.asdict(made), "made_at": made.made_at.isoformat(), "lines": _lines(made.lines)})
    elif pdf is None:
        _print_sheet(made)


def _lines(lines: Any) -> list[dict[str, Any]]:
    return [
        {
            "number": x.number,
            "time": x.time.isoformat(),
            "kind": x.kind,
            "words": x.words,
            "state": x.state,
            "note": x.note,
        }
        for x in lines
    ]


def _print_sheet(made: Any) -> None:
    from rich.console import Console
    from rich.table import Table

    from taperwise.api.presentation.formatting import moment

    out = Console(highlight=False, markup=False)
    out.print(f"\nMixture setting: {made.name}, {moment(made.made_at)}", style="bold")
    out.print("All three stages are confirmed." if made.tuned else f"Not tuned: the tuning stands at {made.stage}.")
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
