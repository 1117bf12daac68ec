"""``taperwise simulate``: a virtual engine's runs as records the service accepts."""

import json
from pathlib import Path
from typing import Annotated

import typer
from pydantic import TypeAdapter

from taperwise.api.files.day import adjustment_body, run_body
from taperwise.api.files.installation import installation_from
from taperwise.api.presentation.entry_text import adjustment_words, run_words
from taperwise.api.schemas.adjustments import AdjustmentKinds
from taperwise.api.schemas.run import RunIn
from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.runs import Air

__all__ = ["simulate"]


def simulate(
    engine_seed: Annotated[int, typer.Option("--engine-seed", min=0, help="Which virtual engine.")] = 1,
    runs: Annotated[int, typer.Option("--runs", min=1, max=200, help="How many runs at the most.")] = 8,
    setting: Annotated[
        Path | None, typer.Option("--installation", help="JSON file with the installation; a default one if left out.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document instead of a table.")] = False,
) -> None:
    """Run a virtual engine, adjusted by the rule of thumb, and print what was read.

    The JSON holds the body for POST /api/v1/installations and, in order, each body with the address it
    is posted to (runs or adjustments). Everything in it is invented.
    """
    sent = installation_from(setting)
    installation = sent.record()
    engine = VirtualEngine.draw(installation, engine_seed)
    air = Air(291.15, 99_300.0, 0.0)
    log = []
    for _ in range(runs):
        run = engine.run(air)
        log.append({"post": "runs", "body": run_body(run)})
        adjustment = next_adjustment(run, engine.position.needle, installation)
        if adjustment is None:
            break
        engine.adjust(adjustment)
        log.append({"post": "adjustments", "body": adjustment_body(adjustment)})
    document = {
        "about": f"Invented: virtual engine {engine_seed}, adjusted by the rule of thumb.",
        "installation": sent.model_dump(mode="json", exclude_none=True),
        "log": log,
    }
    if as_json:
        typer.echo(json.dumps(document, indent=2))
        return
    made: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentKinds)

    typer.echo(document["about"])
    for entry in log:
        body = entry["body"]
        assert isinstance(body, dict)  # noqa: S101 - narrows a mixed dictionary
        if entry["post"] == "runs":
            typer.echo(run_words(RunIn.model_validate(body), sent.units))
        else:
            typer.echo("  then " + adjustment_words(made.validate_python(body)))
