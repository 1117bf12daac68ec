"""``taperwise new``, ``run``, ``adjust``, ``acknowledge``: what the pages do, on a command line."""

from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import TypeAdapter

from taperwise.api.cli.context import Shop, opened, print_json, quantity
from taperwise.api.cli.database import AsJson, DatabaseUrl, DataFolder, Engine
from taperwise.api.cli.options import RUN, SET_UP, Field, as_typed, document_of, with_options
from taperwise.api.cli.recommendation import tell
from taperwise.api.core.validation import validate_document
from taperwise.api.installations import routes
from taperwise.api.installations import service as installations
from taperwise.api.log import service
from taperwise.api.presentation.trace_text import sentence
from taperwise.api.schemas.adjustments import AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import PRESETS, Units
from taperwise.api.traces.file_text import text_of_file
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import TO_LOOK_AT

__all__ = [
    "ADJUST_WORDS",
    "RUN_WORDS",
    "adjust",
    "adjustments",
    "idle_of",
    "new",
    "one_of",
    "run",
    "seen",
    "units_of",
]


@with_options(SET_UP)
def new(
    needle: Annotated[list[str], typer.Option("--needle", help='Label and taper slope, "A=29.4" or "A=2.94 %".')],
    given: dict[Field, str],
    by_order: Annotated[
        bool, typer.Option("--by-order", help="No slope was measured: labels alone, from shallow to steep.")
    ] = False,
    step: Annotated[str | None, typer.Option(help='By order: how much steeper the next needle is, "2 %".')] = None,
    fitted: Annotated[str | None, typer.Option(help="Label of the installed needle.")] = None,
    name: Annotated[str, typer.Option(help="A name of your own.")] = "",
    celsius: Annotated[
        bool, typer.Option("--celsius", help="Use °C, hPa, m, l/h instead of °F, inHg, ft, gal/h.")
    ] = False,
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Set up an engine."""
    units = PRESETS["celsius" if celsius else "fahrenheit"]
    document: dict[str, Any] = {"name": name, "units": units}
    document["needles"] = [{"label": text} for text in needle] if by_order else [_needle(text) for text in needle]
    document |= {"fitted_needle": fitted} if fitted else {}
    with as_typed(SET_UP, needles="--needle", needle_step="--step", fitted_needle="--fitted", name="--name"):
        if step:
            document["needle_step"] = quantity("--step", "fraction", step, "percent")
        document = document_of(given, Units.model_validate(units), document)
        sent = validate_document(TypeAdapter(InstallationIn), document)
        sent.record()
    with opened(data_folder, database_url) as shop, shop.database.unit() as session:
        row = installations.set_up(session, sent, None)
        if as_json:
            print_json(routes.to_response(row).model_dump(mode="json"))
        else:
            typer.echo(f"Engine {row.id} is set up. Now: taperwise next {row.id}")


def _needle(text: str) -> dict[str, Any]:
    label, equals, slope = text.rpartition("=")
    if not equals:
        raise InvalidValueError(
            "a needle is a label and a slope",
            field="--needle",
            value=text,
            cure='Write for example "A=29.4", or add --by-order if no slope was measured.',
        )
    return {"label": label, "taper_slope": quantity("--needle", "taper", slope, "mm/m")}


RUN_WORDS = {
    "egt_rise__rise": "--rise", "egt_rise__error": "--rise-error", "egt_rise": "--rise", "idle_quality": "--idle",
    "trace": "--trace", "note": "--note", "run": "--rise, --idle …",
}  # fmt: skip
"""What refusals call the fields of a run that have options of their own."""


@with_options(RUN)
def run(
    number: Engine,
    given: dict[Field, str],
    rise: Annotated[str | None, typer.Option(help='EGT rise to its peak on leaning, "160".')] = None,
    rise_error: Annotated[str | None, typer.Option("--rise-error", help="Standard error of that rise.")] = None,
    fell: Annotated[bool, typer.Option("--fell", help="EGT fell at once.")] = False,
    rough: Annotated[str | None, typer.Option(help="It ran rough before a peak; the rise so far.")] = None,
    idle: Annotated[str | None, typer.Option(help="How it idled: lean_stumbling … rich_loading_up, or 1 to 5.")] = None,
    trace: Annotated[Path | None, typer.Option(help="Logger file (CSV), instead of a rise.")] = None,
    note: Annotated[str, typer.Option(help="A note.")] = "",
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Record a ground run, and read the next step."""
    text = None if trace is None else text_of_file(trace, "--trace")
    with opened(data_folder, database_url) as shop, as_typed(RUN, installation_id="NUMBER", **RUN_WORDS):
        units = units_of(shop, number)
        document = document_of(given, units) | seen(rise, rise_error, fell, rough, units.temperature_rise)
        document |= {"note": note} | idle_of(idle) | ({} if text is None else {"trace": {"csv": text}})
        sent = validate_document(TypeAdapter(RunIn), document)
        sent, traced = service.with_trace_read(shop.database, number, sent)
        with shop.database.unit() as session:
            recorded = service.record_run(session, number, sent, traced)
        shop.console.print(f"Recorded as entry {recorded.sequence}.")
        tell(shop, number, as_json, [sentence(f, units) for f in traced.findings if f.code not in TO_LOOK_AT])


def idle_of(idle: str | None) -> dict[str, Any]:
    """The idle judgement as the document has it."""
    return {} if idle is None else {"idle_quality": int(idle) if idle.isdigit() else idle}


def seen(rise: str | None, error: str | None, fell: bool, rough: str | None, unit: str) -> dict[str, Any]:
    """What leaning showed, as the document has it.

    Raises
    ------
    InvalidValueError
        If more than one thing was seen.
    """
    given = [x for x in (rise, rough, fell or None) if x is not None]
    if len(given) > 1:
        raise InvalidValueError(
            "these exclude each other", field="--rise, --fell, --rough", value=len(given), cure="Give one of the three."
        )
    if fell:
        return {"egt_rise": {"seen": "fell_at_once"}}
    if rise is not None:
        found: dict[str, Any] = {"seen": "peak", "rise": quantity("--rise", "temperature_rise", rise, unit)}
        if error is not None:
            found["error"] = quantity("--rise-error", "temperature_rise", error, unit)
        return {"egt_rise": found}
    if rough is not None:
        return {"egt_rise": {"seen": "rough_before_peak", "rise": quantity("--rough", "temperature_rise", rough, unit)}}
    return {}


def adjust(
    number: Engine,
    as_suggested: Annotated[bool, typer.Option("--as-suggested", help="Exactly what the next step says.")] = False,
    screw: Annotated[float | None, typer.Option(help="Turns of the needle holder, + = richer.")] = None,
    idle_stop: Annotated[float | None, typer.Option(help="Turns of the idle stop, + = faster.")] = None,
    needle: Annotated[str | None, typer.Option(help="Label of the needle fitted.")] = None,
    from_mark: Annotated[float, typer.Option(help="Its turns from the mark.")] = 0.0,
    part: Annotated[str | None, typer.Option(help="fuel, intake, air_filter, propeller or exhaust.")] = None,
    fuel: Annotated[str | None, typer.Option(help="Which fuel, for --part fuel.")] = None,
    note: Annotated[str, typer.Option(help="A note.")] = "",
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Record what was turned or changed, and read the next step."""
    adapter: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
    choices = adjustments(screw, idle_stop, needle, from_mark, part, fuel)
    choices["--as-suggested"] = {} if as_suggested else None
    body = one_of(choices)
    with opened(data_folder, database_url) as shop, as_typed((), **ADJUST_WORDS):
        body = _suggested(shop, number) if as_suggested else body
        with shop.database.unit() as session:
            recorded, warnings = service.record_adjustment(
                session, number, validate_document(adapter, {**body, "note": note})
            )
        shop.console.print(f"Recorded as entry {recorded.sequence}.")
        tell(shop, number, as_json, warnings)


ADJUST_WORDS = {
    "turns": "--screw or --idle-stop", "needle": "--needle", "turns_from_mark": "--from-mark", "part": "--part",
    "fuel": "--fuel", "note": "--note",
}  # fmt: skip
"""What refusals call the fields of an adjustment."""


def adjustments(
    screw: float | None, idle_stop: float | None, needle: str | None, from_mark: float, part: str | None,
    fuel: str | None,
) -> dict[str, dict[str, Any] | None]:  # fmt: skip
    """Adjustments as documents have them, by the option that stands for each; None where it was not given."""
    return {
        "--screw": None if screw is None else {"kind": "turn_screw", "turns": screw},
        "--idle-stop": None if idle_stop is None else {"kind": "turn_idle_stop", "turns": idle_stop},
        "--needle": None
        if needle is None
        else {"kind": "change_needle", "needle": needle, "turns_from_mark": from_mark},
        "--part": None if part is None else {"kind": "change_part", "part": part, **({"fuel": fuel} if fuel else {})},
    }


def one_of(choices: dict[str, dict[str, Any] | None]) -> dict[str, Any]:
    """The one adjustment that was given.

    Raises
    ------
    InvalidValueError
        If none was, or several.
    """
    given = [body for body in choices.values() if body is not None]
    if len(given) != 1:
        raise InvalidValueError(
            "more or less than one adjustment was given",
            field=", ".join(choices), value=len(given), cure="Give exactly one of them.",
        )  # fmt: skip
    return given[0]


def _suggested(shop: Shop, number: int) -> dict[str, Any]:
    shop.ready()
    action = shop.desk.answer(shop.database, number).action
    kept = {"turn_screw": ("turns",), "turn_idle_stop": ("turns",), "change_needle": ("needle", "turns_from_mark")}
    if action.kind not in kept:
        raise InvalidValueError(
            "the next step is nothing to turn or change", field="--as-suggested", value=action.instruction,
            cure="Record the run it asks for, or what you did.",
        )  # fmt: skip
    return {"kind": action.kind, **{name: getattr(action, name) for name in kept[action.kind]}}


def units_of(shop: Shop, number: int) -> Units:
    """The preferred units of an engine.

    Raises
    ------
    NotFoundError
        If there is no such engine.
    """
    with shop.database.reading() as session:
        return service.load(session, number).sent.units
