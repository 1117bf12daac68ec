"""``taperwise import``, ``contribute`` and ``withdraw``: an export file, and the shared pool."""

import json
from pathlib import Path
from typing import Annotated

import typer
from pydantic import TypeAdapter

from taperwise.api.cli.context import opened
from taperwise.api.cli.database import DatabaseUrl, DataFolder, Engine
from taperwise.api.cli.options import as_typed
from taperwise.api.cli.people import number_of
from taperwise.api.core.validation import validate_document
from taperwise.api.exports import archive
from taperwise.api.exports.archive import Archive
from taperwise.api.log import service as log
from taperwise.api.pooling import service
from taperwise.shared.errors import InvalidValueError

__all__ = ["contribute", "import_file", "withdraw"]


def import_file(
    file: Annotated[Path, typer.Argument(help="Export file (JSON) of an engine.")],
    owner: Annotated[
        str | None, typer.Option("--owner", help="Name of the owner's account here. [default: the same name as there]")
    ] = None,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Import an engine from an export file, with its log and notes. A copy is never shared with the pool."""
    try:
        document = json.loads(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InvalidValueError(
            f"the file cannot be read: {reason}", field="FILE", value=file, cure="Give the whole export file."
        ) from None
    if not isinstance(document, dict):
        raise InvalidValueError("this is no export file", field="FILE", value=file, cure="Give the whole export file.")
    sent = validate_document(TypeAdapter(Archive), document)
    with opened(data_folder, database_url) as shop, as_typed(name="--owner"):
        with shop.database.unit() as session:
            owner_id = None if owner is None else number_of(session, owner)
            number = archive.unpack(session, sent, owner_id)
        typer.echo(f"Imported as engine {number}. Now: taperwise next {number}")


def contribute(
    number: Engine,
    yes: Annotated[bool, typer.Option("--yes", help="The owner agrees: do not ask.")] = False,
    data_folder: DataFolder = None,
    database_url: DatabaseUrl = None,
) -> None:
    """Share the summary of an engine with the pool, with its owner's consent."""
    with opened(data_folder, database_url) as shop, as_typed(installation_id="NUMBER", consent="NUMBER"):
        with shop.database.reading() as session:
            service.require_shareable(session, number)
            learned_from = log.load(session, number)
        told = "Share 7 estimates and 5 general facts about this engine with the pool? Its owner has to agree."
        if not yes and not typer.confirm(told):
            raise typer.Exit(1)
        shop.ready()
        with shop.console.status("calculating the summary"):
            summary = shop.desk.summarise(learned_from)
        with shop.database.unit() as session:
            service.contribute(session, number, learned_from.entries, summary)
        typer.echo("Shared.")


def withdraw(number: Engine, data_folder: DataFolder = None, database_url: DatabaseUrl = None) -> None:
    """Withdraw the summary of an engine from the pool."""
    with opened(data_folder, database_url) as shop, as_typed(installation_id="NUMBER"):
        with shop.database.unit() as session:
            service.withdraw(session, number)
        typer.echo("Withdrawn. The next version of the pool does without this summary.")
