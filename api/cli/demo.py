"""``taperwise demo``: a tuning day, run by run, through the real model."""

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from taperwise.api.cli.context import writable, write_bytes
from taperwise.api.cli.database import DatabaseUrl, DataFolder, Force, opened_database
from taperwise.api.cli.fleet import fill
from taperwise.api.files.day import adjustment_body, read, run_body
from taperwise.api.files.installation import fixture, installation_from
from taperwise.api.presentation.confidence_text import confidence_lines
from taperwise.api.presentation.entry_text import adjustment_words, run_words
from taperwise.api.presentation.formatting import STAGES, shown
from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.recommendations.factory import make_recommender
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.model import MODEL_VERSION
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.recommendation import ActionKind, Stage, Suggestion
from taperwise.shared.records import Adjustment, Entry
from taperwise.shared.runs import Air

__all__ = ["demo"]


def demo(
    engine_seed: Annotated[
        int | None, typer.Option("--engine-seed", min=0, help="Tune this virtual engine blind instead.")
    ] = None,
    most_runs: Annotated[int, typer.Option("--most-runs", min=1, max=100, help="Give up after so many runs.")] = 30,
    save: Annotated[Path | None, typer.Option("--save", help="Keep the tuned engine's day as a JSON file.")] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the sampler.")] = 20_260_101,
    engines: Annotated[
        int | None,
        typer.Option("--fleet", min=1, max=1000, help="Fill an empty database with invented engines instead."),
    ] = None,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
    force: Force = False,
) -> None:
    """Replay an invented tuning day, tune a virtual engine nobody has seen before, or fill an empty database."""
    if engines is not None:
        with opened_database(data_folder, database_url) as (database, _):
            fill(database, engines, engine_seed or 1, typer.echo)
        return
    writable("--save", save, force=force)
    console = Console(highlight=False)
    console.print("… loading the model")
    with console.status("this takes seconds, a minute or so the first time"):
        recommender = make_recommender(seed)  # the day is replayed in seconds
        recommender.prepare(lambda words: console.print(f"… {words}"))
    if engine_seed is None:
        finished = _replay(recommender, console)
    else:
        finished, entries = _tune(recommender, console, engine_seed, most_runs)
        if save is not None:
            _save(save, engine_seed, entries)
    console.print("\n[dim]Every figure comes from the model; the engine and the day are invented.[/dim]")
    raise typer.Exit(0 if finished else 1)


def _replay(recommender: Recommender, console: Console) -> bool:
    script = read(fixture("tuning_day.json"))
    console.print(f"[bold]{script.about}[/bold]")
    owner = script.installation
    installation = owner.record()
    entries: list[Entry] = []
    tuned, number = False, 0
    for sent in script.entries:
        if isinstance(sent, RunIn):
            entries.append(sent.record(owner.elevation))
            number += 1
            title = f"Run {number}: {run_words(sent, owner.units)}"
            suggestion = recommender.suggest(recommender.learn(installation, entries))
            _print(console, title, suggestion, owner.units, cautions=number == 1)
            tuned = suggestion.stage is Stage.TUNED
        else:
            entries.append(sent.record())
            console.print(f"  done: {adjustment_words(sent)}")
    return tuned


def _tune(
    recommender: Recommender, console: Console, engine_seed: int, most_runs: int
) -> tuple[bool, list[RunIn | Adjustment]]:
    owner = installation_from(None)
    installation = owner.record()
    engine = VirtualEngine.draw(installation, engine_seed)
    air = Air(291.15, 99_300.0)
    console.print(f"[bold]Virtual engine {engine_seed}, invented; the recommender has not seen its truth.[/bold]")
    entries: list[Entry] = []
    day: list[RunIn | Adjustment] = []
    for number in range(1, most_runs + 1):
        sent = RunIn.model_validate(run_body(engine.run(air)))
        entries.append(sent.record())
        day.append(sent)
        suggestion = recommender.suggest(recommender.learn(installation, entries))
        title = f"Run {number}: {run_words(sent, owner.units)}"
        _print(console, title, suggestion, owner.units, cautions=number == 1)
        if suggestion.action.kind in (ActionKind.KEEP, ActionKind.INSPECT):
            _tell_truth(console, engine, air, owner.units)
            return suggestion.action.kind is ActionKind.KEEP, day
        for adjustment in suggestion.action.adjustments():
            engine.adjust(adjustment)
            entries.append(adjustment)
            day.append(adjustment)
    _tell_truth(console, engine, air, owner.units)
    return False, day


def _save(path: Path, engine_seed: int, day: list[RunIn | Adjustment]) -> None:
    log = [
        {"post": "runs", "body": entry.model_dump(mode="json", exclude_defaults=True)}
        if isinstance(entry, RunIn)
        else {"post": "adjustments", "body": adjustment_body(entry)}
        for entry in day
    ]
    steps = f"each step done as model {MODEL_VERSION} suggested it"
    document = {
        "about": f"An invented tuning day: virtual engine {engine_seed}, {steps}.",
        "installation": installation_from(None).model_dump(mode="json", exclude_unset=True),
        "log": log,
    }
    write_bytes("--save", path, (json.dumps(document, indent=1) + "\n").encode())


def _print(console: Console, title: str, suggestion: Suggestion, units: Units, *, cautions: bool) -> None:
    told = suggestion_out(suggestion, units)
    stage = STAGES[told.stage]
    console.print(f"\n[bold]{title}[/bold]")
    console.print(f"  stage: [cyan]{stage}[/cyan]")
    for line in confidence_lines(told.confidence):
        console.print(f"  {line}")
    console.print(f"  [bold green]{told.action.instruction}[/bold green]")
    console.print(f"  why: {told.why}")
    console.print(f"  expect: {told.expect}")
    for warning in told.warnings:
        console.print(f"  [yellow]{warning}[/yellow]")
    if not cautions:
        console.print("  [yellow]the cautions above hold for this step too[/yellow]")
    else:
        console.print("  [yellow]cautions:[/yellow]")
        for caution in told.cautions:
            console.print(f"    - {caution}")


def _tell_truth(console: Console, engine: VirtualEngine, air: Air, units: Units) -> None:
    truth = engine.truth(air)
    rise = shown("temperature_rise", truth.rise_kelvin, units.temperature_rise)
    console.print(
        f"\nThe truth, now that it is over: rise {rise} "
        f"({'right' if truth.full_right else 'not right'}), idle mixture "
        f"{'right' if truth.idle_right else 'not right'}, idle {truth.idle_rpm:.0f} rpm "
        f"({'right' if truth.speed_right else 'not right'})."
    )
