"""``eighth-turn``: the commands. Each loads what it needs only when it is called."""

import sys
from typing import Annotated

import typer

from api.cli import demo, serve, simulate
from shared.errors import EighthTurnError

__all__ = ["app", "run"]

app = typer.Typer(
    name="eighth-turn",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    help="The smallest useful mixture adjustment to make next, for an engine on a slide-type throttle body. "
    "On the ground only.",
)
app.command("demo")(demo.demo)
app.command("serve")(serve.serve)
app.command("simulate")(simulate.simulate)


@app.command()
def version(
    plain: Annotated[bool, typer.Option("--plain", help="The number alone.")] = False,
) -> None:
    """Print the version."""
    from api import __version__
    from model import MODEL_VERSION

    typer.echo(__version__ if plain else f"eighth-turn {__version__}, model {MODEL_VERSION}")


def run() -> None:
    """Entry point: an error of ours is told in words and ends with status 2."""
    try:
        app()
    except EighthTurnError as error:
        typer.echo(f"error: {error}", err=True)
        sys.exit(2)
