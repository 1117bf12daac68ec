"""``eighth-turn read-sweep``: a logger's trace, read and shown."""

from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["read_sweep"]


def read_sweep(
    file: Annotated[Path, typer.Argument(help="CSV file of a leaning sweep at full throttle.")],
    time: Annotated[str | None, typer.Option("--time", help="Heading of the time column.")] = None,
    egt: Annotated[
        list[str] | None, typer.Option("--egt", help="Heading of an exhaust column; may be repeated.")
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="degF, degC or kelvin, if headings do not say.")] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Draw the reading to this SVG or PNG file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document instead of a table.")] = False,
) -> None:
    """Read the rise to peak EGT of every cylinder, the probe's lag corrected, with its standard error."""
    from api.trace.reading import read_trace, summary

    trace = read_trace(file, time, egt, unit)
    sweeps = summary(trace)
    if plot is not None:
        from api.trace.plot import draw

        draw(trace, sweeps[0], plot)
    if as_json:
        import json

        from api.trace.reading import as_document

        typer.echo(json.dumps([as_document(found) for found in sweeps], indent=1))
        return
    _show(sweeps)


def _show(sweeps: list[Any]) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console()
    for number, found in enumerate(sweeps, 1):
        table = Table(title=f"Sweep {number}: rise to peak EGT at full throttle")
        for heading in ("cylinder", "seen", "rise [°F]", "± [°F]", "leaning from [s]", "peak at [s]", "lag [s]"):
            table.add_column(heading, justify="left" if heading in ("cylinder", "seen") else "right")
        for name, r in found.readings.items():
            row = (1.8 * r.rise_kelvin, 1.8 * r.error_kelvin, r.start_seconds, r.peak_seconds, r.lag_seconds)
            table.add_row(name, r.seen.replace("_", " "), *("–" if x != x else f"{x:.1f}" for x in row))
        console.print(table)
        console.print(f"The leanest decides: {found.leanest}.")
        for name in found.departing:
            console.print(
                f"[yellow]{name} departs from the others: look at its probe first, then for an induction leak.[/yellow]"
            )
