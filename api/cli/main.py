"""``taperwise``: the commands. Each loads what it needs only when it is called."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from taperwise.api.cli import (
    demo,
    explain,
    people,
    pool,
    prepare,
    read_sweep,
    recommendation,
    record,
    refit,
    safekeeping,
    serve,
    simulate,
)
from taperwise.shared.errors import TaperwiseError

if TYPE_CHECKING:
    from taperwise.api.core.validation import RefusedError

__all__ = ["app", "run"]

app = typer.Typer(
    name="taperwise",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    help="The smallest useful mixture adjustment to make next, for an engine on a slide-type throttle body. "
    "On the ground only.",
)
app.command("new")(record.new)
app.command("run")(record.run)
app.command("adjust")(record.adjust)
app.command("next")(recommendation.next_step)
app.command("sheet")(recommendation.sheet)
app.command("list")(recommendation.listing)
app.command("demo")(demo.demo)
app.command("serve")(serve.serve)
app.command("prepare")(prepare.prepare)
app.command("simulate")(simulate.simulate)
app.command("read-sweep")(read_sweep.read_sweep)
app.command("explain")(explain.explain)
app.command("refit")(refit.refit)
app.command("backup")(safekeeping.backup)
app.command("restore")(safekeeping.restore)
app.add_typer(pool.commands, name="pool")
app.add_typer(people.people, name="person")
app.add_typer(people.keys, name="key")


@app.command()
def version(
    plain: Annotated[bool, typer.Option("--plain", help="The number alone.")] = False,
) -> None:
    """Print the version."""
    from taperwise.api import __version__
    from taperwise.model import MODEL_VERSION

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
        typer.echo(f"error: {error}", err=True)
        sys.exit(2)
    except _refused() as refused:
        for one in refused.errors:
            typer.echo(f"error: {one.field}: {one.message} (got {one.value}). {one.cure}", err=True)
        sys.exit(2)
