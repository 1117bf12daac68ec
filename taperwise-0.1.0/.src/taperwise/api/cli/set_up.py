"""``taperwise setup edit``: what differs in a set-up, as a correction or a change."""

from collections.abc import Mapping
from typing import Annotated, Any

import typer
from pydantic import TypeAdapter

from taperwise.api.cli.context import opened, print_json, quantity
from taperwise.api.cli.database import AsJson, DatabaseUrl, DataFolder, Engine
from taperwise.api.cli.options import SET_UP, Field, as_typed, document_of, with_options
from taperwise.api.core.validation import validate_document
from taperwise.api.installations import repository as installations
from taperwise.api.installations.routes import to_response
from taperwise.api.log import service, set_up
from taperwise.api.log.stop import stop_words
from taperwise.api.presentation.set_up_text import refused_change, set_up_words
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import SetUpRecorded
from taperwise.api.schemas.set_up import SetUpEdit
from taperwise.api.schemas.units import Units
from taperwise.shared.errors import InvalidValueError, UnknownNeedleError

__all__ = ["edit"]

_EDITED = (
    *SET_UP,
    Field("--name", "name", "A name of your own.", shape="text"),
    Field("--fitted", "fitted_needle", "Label of the needle that was installed at the start.", shape="text"),
    Field("--step", "needle_step", 'By order: how much steeper the next needle is, "2 percent".', "fraction"),
)
_WORDS = {
    "needles": "--needle", "units": "--unit", "meaning": "--meaning", "time": "--time", "note": "--note",
    "installation_id": "NUMBER",
}  # fmt: skip
_INSTEAD = {
    "taper_slope": 'Add the other needle, for example: --needle "B=31.2". If it was mistyped: --meaning correction.',
    "fuel": "Record an adjustment, for example: taperwise adjust {number} --part fuel --fuel mogas.",
    "fitted_needle": "Record an adjustment, for example: taperwise adjust {number} --needle B.",
    "retired": "First record the needle that you installed, for example: taperwise adjust {number} --needle B.",
}
"""What to type in place of a change that a set-up cannot hold."""


@with_options(_EDITED)
def edit(
    number: Engine,
    meaning: Annotated[
        str, typer.Option("--meaning", help="correction: it was always so. change: it is so since today.")
    ],
    given: dict[Field, str],
    needle: Annotated[
        list[str] | None, typer.Option("--needle", help='Add or correct a needle, "A=29.8"; without a slope, "A".')
    ] = None,
    retire: Annotated[list[str] | None, typer.Option(help="Label of a needle that you no longer have.")] = None,
    unretire: Annotated[list[str] | None, typer.Option(help="Label of a retired needle that you have again.")] = None,
    unit: Annotated[list[str] | None, typer.Option(help='Preferred unit, "length=in".')] = None,
    time: Annotated[str | None, typer.Option(help="When it was, with offset. [default: now]")] = None,
    note: Annotated[str, typer.Option(help="A note.")] = "",
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Change the set-up. "none" brings a field back to its default, or to not set."""
    retiring = [Field("--retire", f"needles.{label}.retired", "") for label in retire or ()]
    instead = {refused_change(what, "", None)["cure"]: cure.format(number=number) for what, cure in _INSTEAD.items()}
    with (
        opened(data_folder, database_url) as shop,
        as_typed((*_EDITED, *retiring), instead, **_WORDS),
    ):
        with shop.database.unit() as session:
            installations.get(session, number, lock=True)
            before = service.load(session, number).sent
            document = _fields(given, before.units) | _units(unit or ())
            needles = [_needle(each, before.units) for each in needle or ()]
            needles += [_known(before, "--retire", label, retired=True) for label in retire or ()]
            needles += [_known(before, "--unretire", label, retired=False) for label in unretire or ()]
            document |= {"needles": needles} if needles else {}
            if not document:
                raise InvalidValueError("Nothing to change was given", cure='Give for example --limit-cht "420 degF".')
            sent = {"meaning": meaning, "set_up": document, "time": time, "note": note}
            entry = set_up.edit(session, number, validate_document(TypeAdapter(SetUpEdit), sent))
            now = to_response(installations.get(session, number))
            stop = stop_words(session, number)
        if stop:
            shop.console.print(f"STOP. {stop} Find the cause, then record it: taperwise acknowledge {number} CAUSE")
        if as_json:
            print_json(SetUpRecorded(installation=now, entry=entry).model_dump(mode="json"))
        elif entry is not None and entry.set_up is not None:
            typer.echo(f"Recorded as entry {entry.sequence}. {set_up_words(entry.set_up, now.installation.units)}")
        else:
            typer.echo("Nothing differs." if now.installation == before else "The set-up is changed.")


def _fields(given: Mapping[Field, str], units: Units) -> dict[str, Any]:
    """The fields that options stand for; null where ``none`` was typed."""
    document = document_of({field: text for field, text in given.items() if not _is_none(text)}, units)
    for field in (field for field, text in given.items() if _is_none(text)):
        above, _, last = field.path.rpartition(".")
        (document.setdefault(above, {}) if above else document)[last] = None
    return document


def _is_none(text: str) -> bool:
    return text.strip().lower() == "none"


def _needle(text: str, units: Units) -> dict[str, Any]:
    label, equals, slope = text.rpartition("=")
    if not equals:
        return {"label": text}
    return {
        "label": label,
        "taper_slope": None if _is_none(slope) else quantity("--needle", "taper", slope, units.taper),
    }


def _known(before: InstallationIn, option: str, label: str, *, retired: bool) -> dict[str, Any]:
    """A needle of the set-up, retired or in use again.

    Raises
    ------
    UnknownNeedleError
        If it has no such needle.
    """
    labels = [each.label for each in before.needles]
    if label.strip() not in labels:
        raise UnknownNeedleError(
            "This is not one of your needles", field=option, value=label, cure=f'Name one, for example "{labels[0]}".'
        )
    return {"label": label, "retired": retired}


def _units(texts: list[str] | tuple[()]) -> dict[str, Any]:
    found = {}
    for text in texts:
        kind, equals, unit = text.partition("=")
        if not equals:
            raise InvalidValueError(
                "A preferred unit is a kind and a unit",
                field="--unit",
                value=text,
                cure='Write for example "length=in".',
            )
        found[kind.strip()] = None if _is_none(unit) else unit.strip()
    return {"units": found} if found else {}
