"""``taperwise acknowledge``, ``correct``, ``undo`` and ``note``: what was found, what an entry should have been."""

from typing import Annotated, Any

import typer
from pydantic import TypeAdapter

from taperwise.api.accounts.principal import COMMAND_LINE
from taperwise.api.cli.context import opened
from taperwise.api.cli.database import AsJson, DatabaseUrl, DataFolder, Engine
from taperwise.api.cli.options import RUN, Field, as_typed, document_of, with_options
from taperwise.api.cli.recommendation import tell
from taperwise.api.cli.record import ADJUST_WORDS, RUN_WORDS, adjustments, idle_of, one_of, seen, units_of
from taperwise.api.core.validation import validate_document
from taperwise.api.log import service
from taperwise.api.log.corrections import record_correction
from taperwise.api.notes import repository as notes
from taperwise.api.schemas.adjustments import AcknowledgeIn
from taperwise.api.schemas.log import CorrectionIn, EntryOut, NoteIn
from taperwise.shared.errors import InvalidValueError, NotFoundError

__all__ = ["acknowledge", "correct", "note", "undo"]

_Reason = Annotated[str, typer.Option("--reason", help="Why.")]


def acknowledge(
    number: Engine,
    cause: Annotated[str, typer.Argument(help="What it was, and what was done about it.")],
    about: Annotated[
        str,
        typer.Option(
            help="run: a limit, or readings that do not match. trace: findings from a logger file. setting: accept the "
            "present setting."
        ),
    ] = "run",
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Record the cause of a stop or a possible fault, and read the next step."""
    with as_typed(cause="CAUSE", about="--about"):
        sent = validate_document(TypeAdapter(AcknowledgeIn), {"cause": cause, "about": about})
    with opened(data_folder, database_url) as shop, as_typed(installation_id="NUMBER"):
        with shop.database.unit() as session:
            recorded, warnings = service.record_acknowledgement(session, number, sent)
        shop.console.print(f"Recorded as entry {recorded.sequence}.")
        tell(shop, number, as_json, warnings)


@with_options(RUN)
def correct(
    number: Engine,
    entry: Annotated[int, typer.Argument(min=1, help="Number of the entry.")],
    reason: _Reason,
    given: dict[Field, str],
    rise: Annotated[str | None, typer.Option(help="EGT rise to its peak on leaning.")] = None,
    rise_error: Annotated[str | None, typer.Option("--rise-error", help="Standard error of that rise.")] = None,
    fell: Annotated[bool, typer.Option("--fell", help="EGT fell at once.")] = False,
    rough: Annotated[str | None, typer.Option(help="It ran rough before a peak; the rise so far.")] = None,
    idle: Annotated[str | None, typer.Option(help="How it idled.")] = None,
    screw: Annotated[float | None, typer.Option(help="Turns of the needle holder, + = richer.")] = None,
    idle_stop: Annotated[float | None, typer.Option(help="Turns of the idle stop, + = faster.")] = None,
    needle: Annotated[str | None, typer.Option(help="Label of the installed needle.")] = None,
    from_mark: Annotated[float, typer.Option(help="Its turns from the mark.")] = 0.0,
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Correct an entry: of a run only what you give changes. The history keeps both."""
    with (
        opened(data_folder, database_url) as shop,
        as_typed(
            RUN, installation_id="NUMBER", sequence="ENTRY", reason="--reason",
            **{f"run__{name}": option for name, option in RUN_WORDS.items()},
            **{f"run__{field.path.replace('.', '__')}": field.option for field in RUN},
            **{f"adjustment__{name}": option for name, option in ADJUST_WORDS.items()},
        ),
    ):  # fmt: skip
        units = units_of(shop, number)
        with shop.database.reading() as session:
            known = _entry(service.entries_of(session, number), entry)
        read = seen(rise, rise_error, fell, rough, units.temperature_rise) | idle_of(idle)
        turned = adjustments(screw, idle_stop, needle, from_mark, None, None)
        document: dict[str, Any]
        if known.kind == "run":
            now = known.corrections[-1].run if known.corrections and known.corrections[-1].run else known.run
            kept = {} if now is None else now.model_dump(mode="json", exclude_none=True)
            if not given and not read:
                raise InvalidValueError("nothing to correct was given", field="ENTRY", value=entry, cure="Give --rise.")
            document = {"run": {**document_of(given, units, kept), **read}}
        else:
            document = {"adjustment": one_of(turned)}
        _correct(shop, number, entry, {"reason": reason, **document}, as_json)


def undo(
    number: Engine,
    entry: Annotated[int | None, typer.Argument(min=1, help="Number of the entry; the latest if left out.")] = None,
    reason: _Reason = "undone: it should not be there",
    as_json: AsJson = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Void an entry that should not be there. The history keeps the entry."""
    words = {"installation_id": "NUMBER", "sequence": "ENTRY", "reason": "--reason"}
    with opened(data_folder, database_url) as shop, as_typed((), **words):
        if entry is None:
            with shop.database.reading() as session:
                standing = [each for each in service.entries_of(session, number) if not each.voided]
            if not standing:
                raise NotFoundError("there is no entry to undo", field="NUMBER", value=number, cure="Record one first.")
            entry = standing[-1].sequence
        _correct(shop, number, entry, {"reason": reason, "void": True}, as_json)


def _entry(entries: list[EntryOut], sequence: int) -> EntryOut:
    for each in entries:
        if each.sequence == sequence:
            return each
    raise NotFoundError(
        "there is no such entry", field="ENTRY", value=sequence, cure="taperwise sheet NUMBER lists the entries."
    )


def _correct(shop: Any, number: int, entry: int, document: dict[str, Any], as_json: bool) -> None:
    sent = validate_document(TypeAdapter(CorrectionIn), document)
    with shop.database.unit() as session:
        record_correction(session, number, entry, sent)
    shop.console.print(f"Corrected entry {entry}.")
    tell(shop, number, as_json, [])


def note(
    number: Engine,
    text: Annotated[str, typer.Argument(help="What the note says.")],
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Write a note for everyone who works on the engine. Notes from here are not signed."""
    with as_typed(text="TEXT"):
        sent = validate_document(TypeAdapter(NoteIn), {"text": text})
    with opened(data_folder, database_url) as shop, as_typed(installation_id="NUMBER"):
        with shop.database.unit() as session:
            made = notes.add(session, number, sent, COMMAND_LINE)
        typer.echo(f"Note {made.id} is saved.")
