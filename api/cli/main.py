"""``taperwise``: the commands. The module of each is loaded when it is called or asked for its own help.

So the list of commands is there at once, and each module imports what it needs at its top.
"""

import os
import sys
from importlib import import_module
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from taperwise.api import __version__
from taperwise.api.presentation.decimal_sign import of_environment
from taperwise.api.presentation.digits import read_with, respelled
from taperwise.model import MODEL_VERSION
from taperwise.shared.errors import TaperwiseError

if TYPE_CHECKING:
    from taperwise.api.core.validation import RefusedError

__all__ = ["COMMANDS", "app", "run"]

COMMANDS = {
    "taperwise": {
        "new": ("record.new", "Set up an engine."),
        "run": ("record.run", "Record a ground run, and read the next step."),
        "adjust": ("record.adjust", "Record what was turned or changed, and read the next step."),
        "acknowledge": (
            "change.acknowledge",
            "Record the cause of a stop or a possible fault, and read the next step.",
        ),
        "correct": ("change.correct", "Correct an entry: of a run only what you give changes. The history keeps both."),
        "undo": ("change.undo", "Void an entry that should not be there. The history keeps the entry."),
        "note": ("change.note", "Write a note for everyone who works on the engine. Notes from here are not signed."),
        "next": (
            "recommendation.next_step",
            "Read the next step. Ends with 0; with 3 where something is to be looked at before anything is turned.",
        ),
        "sheet": ("sheet.sheet", "Print the tuning sheet, or write it to files."),
        "import": (
            "share.import_file",
            "Import an engine from an export file, with its log and notes. A copy is never shared with the pool.",
        ),
        "contribute": ("share.contribute", "Share the summary of an engine with the pool, with its owner's consent."),
        "withdraw": ("share.withdraw", "Withdraw the summary of an engine from the pool."),
        "list": (
            "listing.listing",
            "List the engines, those in danger first. With --name, list those whose name or number matches.",
        ),
        "demo": (
            "demo.demo",
            "Replay an invented tuning day, tune a virtual engine nobody has seen before, or fill an empty database.",
        ),
        "serve": ("serve.serve", "Start the service: the API under /api/v1, its page under /docs."),
        "prepare": (
            "prepare.prepare",
            "Compile the sampler into the cache folder, so that the next start takes seconds; after an upgrade, say.",
        ),
        "simulate": (
            "simulate.simulate",
            "Run a virtual engine, adjusted by the rule of thumb, and print what was read.",
        ),
        "read-sweep": (
            "read_sweep.read_sweep",
            "Read the EGT rise of every cylinder with its standard error. The probe's lag is corrected.",
        ),
        "explain": (
            "explain.explain",
            "Write the explanations for builder and statistician, with the table of priors and all figures.",
        ),
        "refit": ("refit.refit", "Refit all engines whose answer is of an older model."),
        "backup": (
            "safekeeping.backup",
            "Back up the whole database into one file, while the service goes on. It is opened again and compared.",
        ),
        "restore": (
            "safekeeping.restore",
            "Restore a backup into an empty database, SQLite or PostgreSQL; nothing is overwritten.",
        ),
    },
    "setup": {
        "edit": ("set_up.edit", 'Change the set-up. "none" brings a field back to its default, or to not set.'),
    },
    "pool": {
        "release": ("pool.release", "Publish the next version if enough owners changed."),
        "audit": (
            "pool.audit",
            "List pool events (operators only). Others see counts, rounded down to a multiple of 5, with each version.",
        ),
    },
    "person": {
        "add": ("people.add", "Add a person."),
        "list": ("people.listing", "List all people."),
        "export": ("ownership.export", "Write all stored data of a person to a file."),
        "erase": ("ownership.erase", "Erase a person with all their engines. You cannot undo this."),
        "give": ("ownership.give", "Make a person the owner of an engine."),
    },
    "key": {
        "new": ("people.new", "Make an access key for a person. The key is shown once."),
        "list": ("people.key_list", "List the access keys of a person, without their secrets."),
        "revoke": ("people.revoke", "Revoke an access key."),
    },
}
"""Of each group: every command with the function that does it and its help in the list."""


_HELP = {"help_option_names": ["-h", "--help"]}


class _Group(TyperGroup):
    """Commands that are loaded when they are called."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the line; what is printed for people has the decimal sign of the shell's locale, JSON a point.

        So has what is served to programs; pages follow each reader.
        """
        sign = "." if "--json" in args or "serve" in args[:1] else of_environment(os.environ)
        rest = super().parse_args(ctx, args)
        ctx.with_resource(read_with(sign))
        return rest

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command itself, in place of its entry in the list."""
        name, command, rest = super().resolve_command(ctx, args)
        place, _ = COMMANDS[str(self.name)].get(str(name), ("", ""))
        return name, _loaded(str(name), place) if place else command, rest


def _loaded(name: str, place: str) -> Any:
    module, _, function = place.partition(".")
    alone = typer.Typer(  # help without a frame: in 80 columns the frame cuts names of options
        add_completion=False, pretty_exceptions_enable=False, context_settings=_HELP, rich_markup_mode=None
    )
    alone.command(name)(getattr(import_module(f"taperwise.api.cli.{module}"), function))
    return typer.main.get_command(alone)


def _listed() -> None:
    """Stands for a command in the list."""


def _group(name: str, words: str, **more: Any) -> typer.Typer:
    made = typer.Typer(name=name, cls=_Group, no_args_is_help=True, help=words, context_settings=_HELP, **more)
    for command, (_, told) in COMMANDS[name].items():
        made.command(command, help=told)(_listed)
    return made


app = _group(
    "taperwise",
    "The smallest useful mixture adjustment to make next, for an engine on a slide-type throttle body. "
    "On the ground only.",
    add_completion=True,
    pretty_exceptions_enable=False,
)
app.add_typer(_group("setup", "Change the set-up of an engine."))
app.add_typer(_group("pool", "Manage the shared pool of summaries."))
app.add_typer(_group("person", "Manage people, where sign-in is on."))
app.add_typer(_group("key", "Manage access keys."))


def _print_version(asked: bool) -> None:
    if asked:
        typer.echo(f"taperwise {__version__}, model {MODEL_VERSION}")
        raise typer.Exit


@app.callback()
def _main(
    asked: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    """The smallest useful mixture adjustment to make next, for an engine on a slide-type throttle body.

    On the ground only.
    """


@app.command()
def version(
    plain: Annotated[bool, typer.Option("--plain", help="The number alone.")] = False,
) -> None:
    """Print the version."""
    typer.echo(__version__ if plain else f"taperwise {__version__}, model {MODEL_VERSION}")


def _refused() -> "type[RefusedError]":
    """What a refused document raises; it brings the web service along, so it is loaded once something was raised."""
    from taperwise.api.core.validation import RefusedError

    return RefusedError


def run() -> None:
    """Entry point: an error of ours is told in words and ends with status 2."""
    try:
        app()
    except SystemExit:
        raise
    except TaperwiseError as error:
        _tell(str(error))
        sys.exit(2)
    except _refused() as refused:
        for one in refused.errors:
            _tell(f"{one.field}: {one.message} (got {one.value}). {one.cure}")
        sys.exit(2)


def _tell(error: str) -> None:
    with read_with(of_environment(os.environ)):
        typer.echo(f"error: {respelled(error)}", err=True)
