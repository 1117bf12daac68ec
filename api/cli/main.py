"""``eighth-turn``: the commands. Each loads what it needs only when it is called."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli import demo, explain, people, pool, prepare, read_sweep, record, refit, safekeeping, serve, simulate, step
from shared.errors import EighthTurnError

if TYPE_CHECKING:
    from api.http.checked import RefusedError

__all__ = ["app", "run"]

app = typer.Typer(
    name="eighth-turn",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    help="The smallest useful mixture adjustment to make next, for an engine on a slide-type throttle body. "
    "On the ground only.",
)
app.command("new")(record.new)
app.command("run")(record.run)
app.command("adjust")(record.adjust)
app.command("next")(step.next_step)
app.command("sheet")(step.sheet)
app.command("list")(step.listing)
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
    from api import __version__
    from model import MODEL_VERSION

    typer.echo(__version__ if plain else f"eighth-turn {__version__}, model {MODEL_VERSION}")


def _refused() -> "type[RefusedError]":
    """What a refused document raises; it brings the web service along, so it is loaded once something was raised."""
    from api.http.checked import RefusedError

    return RefusedError


def run() -> None:
    """Entry point: an error of ours is told in words and ends with status 2."""
    try:
        app()
    except SystemExit:
        raise
    except EighthTurnError as error:
        typer.echo(f"error: {error}", err=True)
        sys.exit(2)
    except _refused() as refused:
        for one in refused.errors:
            typer.echo(f"error: {one.field}: {one.message} (got {one.value}). {one.cure}", err=True)
        sys.exit(2)
