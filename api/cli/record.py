"""``taperwise new``, ``run``, ``adjust``, ``acknowledge``: what the pages do, on a command line."""

from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import TypeAdapter

from taperwise.api.cli.context import Shop, opened, print_json, quantity
from taperwise.api.cli.recommendation import tell
from taperwise.api.core.validation import validate_document
from taperwise.api.installations import routes
from taperwise.api.installations import service as installations
from taperwise.api.log import service
from taperwise.api.presentation.trace_text import sentence
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import PRESETS, Units
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import TO_LOOK_AT

__all__ = ["acknowledge", "adjust", "new", "run"]

_Number = Annotated[int, typer.Argument(min=1, help="Number of the installation.")]
_Json = Annotated[bool, typer.Option("--json", help="One JSON object instead of a table.")]


def new(
    needle: Annotated[list[str], typer.Option("--needle", help='Label and taper slope, "A=29.4" or "A=2.94 %".')],
    fitted: Annotated[str | None, typer.Option(help="Label of the needle fitted now.")] = None,
    name: Annotated[str, typer.Option(help="A name of your own.")] = "",
    elevation: Annotated[str | None, typer.Option(help='Of the field, "650 ft".')] = None,
    coldest: Annotated[str | None, typer.Option(help='Coldest air this aeroplane will meet, "14 °F".')] = None,
    celsius: Annotated[
        bool, typer.Option("--celsius", help="Speak °C, hPa, m, l/h instead of °F, inHg, ft, gal/h.")
    ] = False,
    as_json: _Json = False,
) -> None:
    """Set up an installation."""
    units = PRESETS["celsius" if celsius else "fahrenheit"]
    document: dict[str, Any] = {"name": name, "needles": [_needle(text) for text in needle], "units": units}
    document |= {"fitted_needle": fitted} if fitted else {}
    if elevation:
        document["elevation"] = quantity("--elevation", "elevation", elevation, "m" if celsius else "ft")
    if coldest:
        unit = "degC" if celsius else "degF"
        document["coldest_temperature"] = quantity("--coldest", "temperature", coldest, unit)
    sent = validate_document(TypeAdapter(InstallationIn), document)
    with opened() as shop, shop.database.unit() as session:
        row = installations.set_up(session, sent, None)
        if as_json:
            print_json(routes.to_response(row).model_dump(mode="json"))
        else:
            typer.echo(f"Installation {row.id} is set up. Now: taperwise next {row.id}")


def _needle(text: str) -> dict[str, Any]:
    label, equals, slope = text.rpartition("=")
    if not equals:
        raise InvalidValueError(
            "a needle is a label and a slope", field="--needle", value=text, cure='Write for example "A=29.4".'
        )
    return {"label": label, "taper_slope": quantity("--needle", "taper", slope, "mm/m")}


def run(
    number: _Number,
    air: Annotated[str, typer.Option(help='Air temperature, "68" or "20 °C".')],
    altimeter: Annotated[str | None, typer.Option(help='Altimeter setting, "29.98 inHg".')] = None,
    pressure: Annotated[str | None, typer.Option(help="Pressure at the field, instead.")] = None,
    rise: Annotated[str | None, typer.Option(help='EGT rise to its peak on leaning, "160".')] = None,
    fell: Annotated[bool, typer.Option("--fell", help="EGT fell at once.")] = False,
    rough: Annotated[str | None, typer.Option(help="It ran rough before a peak; the rise so far.")] = None,
    idle: Annotated[str | None, typer.Option(help="How it idled: lean_stumbling … rich_loading_up, or 1 to 5.")] = None,
    idle_rpm: Annotated[str | None, typer.Option(help="Idle speed.")] = None,
    idle_rpm_rise: Annotated[str | None, typer.Option(help="Rise of idle speed on slow leaning.")] = None,
    static_rpm: Annotated[str | None, typer.Option(help="Speed at full throttle, full rich.")] = None,
    trace: Annotated[Path | None, typer.Option(help="CSV file of the sweep, instead of a rise.")] = None,
    note: Annotated[str, typer.Option(help="A note.")] = "",
    as_json: _Json = False,
) -> None:
    """Record a ground run, and read the next step."""
    with opened() as shop:
        units = _units(shop, number)

        def given(field: str, kind: str, text: str | None, unit: str) -> dict[str, Any]:
            return {} if text is None else {field: quantity(f"--{field}", kind, text, unit)}

        document: dict[str, Any] = {
            **given("air_temperature", "temperature", air, units.temperature),
            **given("altimeter_setting", "pressure", altimeter, units.pressure),
            **given("pressure", "pressure", pressure, units.pressure),
            **given("idle_rpm", "rpm", idle_rpm, "rpm"),
            **given("idle_rpm_rise", "rpm_rise", idle_rpm_rise, "rpm"),
            **given("static_rpm", "rpm", static_rpm, "rpm"),
            **_seen(rise, fell, rough, units.temperature_rise),
            "note": note,
        }
        if idle is not None:
            document["idle_quality"] = int(idle) if idle.isdigit() else idle
        if trace is not None:
            document["trace"] = {"csv": _file(trace)}
        sent = validate_document(TypeAdapter(RunIn), document)
        sent, traced = service.with_trace_read(shop.database, number, sent)
        with shop.database.unit() as session:
            recorded = service.record_run(session, number, sent, traced)
        shop.console.print(f"Recorded as entry {recorded.sequence}.")
        tell(shop, number, as_json, [sentence(f, units) for f in traced.findings if f.code not in TO_LOOK_AT])


def _seen(rise: str | None, fell: bool, rough: str | None, unit: str) -> dict[str, Any]:
    given = [x for x in (rise, rough, fell or None) if x is not None]
    if len(given) > 1:
        raise InvalidValueError(
            "these exclude each other", field="--rise, --fell, --rough", value=len(given), cure="Give one of the three."
        )
    if fell:
        return {"egt_rise": {"seen": "fell_at_once"}}
    if rise is not None:
        return {"egt_rise": {"seen": "peak", "rise": quantity("--rise", "temperature_rise", rise, unit)}}
    if rough is not None:
        return {"egt_rise": {"seen": "rough_before_peak", "rise": quantity("--rough", "temperature_rise", rough, unit)}}
    return {}


def _file(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidValueError(
            f"the file cannot be read: {error}", field="--trace", value=path.name, cure="Give a CSV file in UTF-8."
        ) from None


def adjust(
    number: _Number,
    as_suggested: Annotated[bool, typer.Option("--as-suggested", help="Exactly what the next step says.")] = False,
    screw: Annotated[float | None, typer.Option(help="Turns of the needle holder, + = richer.")] = None,
    idle_stop: Annotated[float | None, typer.Option(help="Turns of the idle stop, + = faster.")] = None,
    needle: Annotated[str | None, typer.Option(help="Label of the needle fitted.")] = None,
    from_mark: Annotated[float, typer.Option(help="Its turns from the mark.")] = 0.0,
    part: Annotated[str | None, typer.Option(help="fuel, intake, air_filter, propeller or exhaust.")] = None,
    fuel: Annotated[str | None, typer.Option(help="Which fuel, for --part fuel.")] = None,
    note: Annotated[str, typer.Option(help="A note.")] = "",
    as_json: _Json = False,
) -> None:
    """Record what was turned or changed, and read the next step."""
    adapter: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
    choices: dict[str, dict[str, Any] | None] = {
        "--screw": None if screw is None else {"kind": "turn_screw", "turns": screw},
        "--idle-stop": None if idle_stop is None else {"kind": "turn_idle_stop", "turns": idle_stop},
        "--needle": None
        if needle is None
        else {"kind": "change_needle", "needle": needle, "turns_from_mark": from_mark},
        "--part": None if part is None else {"kind": "change_part", "part": part, **({"fuel": fuel} if fuel else {})},
        "--as-suggested": {} if as_suggested else None,
    }
    given = {name: body for name, body in choices.items() if body is not None}
    if len(given) != 1:
        raise InvalidValueError(
            "more or less than one adjustment was given",
            field=", ".join(choices), value=len(given), cure="Give exactly one of them.",
        )  # fmt: skip
    with opened() as shop:
        body = _suggested(shop, number) if as_suggested else next(iter(given.values()))
        with shop.database.unit() as session:
            recorded, warnings = service.record_adjustment(
                session, number, validate_document(adapter, {**body, "note": note})
            )
        shop.console.print(f"Recorded as entry {recorded.sequence}.")
        tell(shop, number, as_json, warnings)


def acknowledge(
    number: _Number,
    cause: Annotated[str, typer.Argument(help="What it was, and what was done about it.")],
    about: Annotated[
        str,
        typer.Option(
            help="run: a limit, or readings not as foretold; trace: findings from a logger file; "
            "setting: accept the setting."
        ),
    ] = "run",
    as_json: _Json = False,
) -> None:
    """Record the cause of what was to be looked at, and read the next step."""
    sent = validate_document(TypeAdapter(AcknowledgeIn), {"cause": cause, "about": about})
    with opened() as shop:
        with shop.database.unit() as session:
            recorded, warnings = service.record_acknowledgement(session, number, sent)
        shop.console.print(f"Recorded as entry {recorded.sequence}.")
        tell(shop, number, as_json, warnings)


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


def _units(shop: Shop, number: int) -> Units:
    with shop.database.reading() as session:
        return service.load(session, number).sent.units
