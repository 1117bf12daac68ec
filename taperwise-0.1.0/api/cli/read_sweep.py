"""``taperwise read-sweep``: a logger's trace, read and shown."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from taperwise.api.cli.context import writable
from taperwise.api.cli.database import AsJson, Force
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.trace_text import sentence
from taperwise.api.schemas.units import Units
from taperwise.api.traces.reading import as_document, instruments, read_trace, summary
from taperwise.shared.findings import Finding, FindingCode

__all__ = ["read_sweep"]

_UNITS = Units()


def read_sweep(
    file: Annotated[Path, typer.Argument(help="CSV file of a leaning sweep at full throttle.")],
    time: Annotated[str | None, typer.Option("--time", help="Heading of the time column.")] = None,
    egt: Annotated[
        list[str] | None, typer.Option("--egt", help="Heading of an exhaust column; may be repeated.")
    ] = None,
    cht: Annotated[
        list[str] | None, typer.Option("--cht", help="Heading of a cylinder head column; may be repeated.")
    ] = None,
    rpm: Annotated[str | None, typer.Option("--rpm", help="Heading of the engine's speed.")] = None,
    mixture_control: Annotated[
        str | None, typer.Option("--mixture-control", help="Heading of the mixture control's position.")
    ] = None,
    fuel_flow: Annotated[str | None, typer.Option("--fuel-flow", help="Heading of the fuel flow.")] = None,
    lambda_: Annotated[str | None, typer.Option("--lambda", help="Heading of lambda.")] = None,
    manifold_pressure: Annotated[
        str | None, typer.Option("--manifold-pressure", help="Heading of the manifold pressure.")
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="degF, degC or kelvin, if headings do not say.")] = None,
    time_unit: Annotated[
        str | None, typer.Option("--time-unit", help="s, ms, min, h or d, if the heading does not say.")
    ] = None,
    decimal: Annotated[str | None, typer.Option("--decimal", help='"." or ",", if the numbers do not show.')] = None,
    date_order: Annotated[
        str | None, typer.Option("--date-order", help="day_first or month_first, if the dates do not show.")
    ] = None,
    plot: Annotated[Path | None, typer.Option("--plot", help="Draw the reading to this SVG or PNG file.")] = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Read the EGT rise of every cylinder with its standard error. The probe's lag is corrected."""
    writable("--plot", plot, force=force)
    trace = read_trace(
        file, time=time, egt=egt, cht=cht, rpm=rpm, mixture_control=mixture_control, fuel_flow=fuel_flow,
        lambda_=lambda_, manifold_pressure=manifold_pressure, temperature_unit=unit,
        time_unit=time_unit, decimal=decimal, date_order=date_order,
    )  # fmt: skip
    sweeps = summary(trace, _UNITS)
    beside = [instruments(trace, found) for found in sweeps]
    if plot is not None:
        from taperwise.api.traces.plot import draw  # imported late: loads altair and vl-convert, about a second

        draw(trace, sweeps, plot)
    if as_json:
        typer.echo(json.dumps([as_document(*pair) for pair in zip(sweeps, beside, strict=True)], indent=1))
        return
    _show(sweeps, beside)
    for name, why in trace.unused:
        typer.echo(sentence(Finding(FindingCode.NOT_USED, name, other=why), _UNITS))


def _beside(found: Any) -> list[str]:
    """The other channels, in words."""
    lines = []
    if found.static_rpm is not None:
        lines.append(f"Speed at full rich {found.static_rpm:.0f} rpm.")
    if found.power_rpm_rise is not None:
        lines.append(f"Speed rose by {found.power_rpm_rise:.0f} rpm to best power.")
    if found.lambda_full_rich is not None:
        lines.append(f"Lambda at full rich {number(found.lambda_full_rich, '.3f')}.")
    if found.fuel_flow_m3_s is not None:
        lines.append(f"Fuel flow at full rich {number(found.fuel_flow_m3_s * 3.6e6, '.1f')} l/h.")
    if "cht" in found.highest:
        lines.append(f"Hottest cylinder head {1.8 * found.highest['cht'] - 459.67:.0f} °F.")
    if found.throttle_moved:
        lines.append(f"! {sentence(Finding(FindingCode.THROTTLE_MOVED), _UNITS)}")
    return lines


def _show(sweeps: list[Any], beside: list[Any]) -> None:
    console = Console(highlight=False, markup=False)
    for which, (found, others) in enumerate(zip(sweeps, beside, strict=True), 1):
        table = Table(title=f"Sweep {which}: EGT rise at full throttle")
        for heading in ("cylinder", "seen", "rise [°F]", "± [°F]", "leaning from [s]", "peak at [s]", "lag [s]"):
            table.add_column(heading, justify="left" if heading in ("cylinder", "seen") else "right")
        for name, r in found.readings.items():
            row = (1.8 * r.rise_kelvin, 1.8 * r.error_kelvin, r.start_seconds, r.peak_seconds, r.lag_seconds)
            table.add_row(name, r.seen.replace("_", " "), *("–" if x != x else number(x, ".1f") for x in row))
        console.print(table)
        console.print(f"The leanest decides: {found.leanest}.")
        for line in _beside(others):
            console.print(line)
        for finding in found.findings:
            console.print(sentence(finding, _UNITS), style="yellow", markup=False)
