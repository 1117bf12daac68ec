"""``taperwise explain``: the explanations of the model with their table and figures, made anew."""

from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from taperwise.api.explained import learning
from taperwise.api.explained.figures import FIGURES
from taperwise.api.explained.text import READERS, text_of, with_priors
from taperwise.shared.errors import InvalidValueError

__all__ = ["explain"]


def explain(
    folder: Annotated[
        Path | None, typer.Option("--to", help="Folder to write to; where the package has them if left out.")
    ] = None,
    learn: Annotated[bool, typer.Option("--learn", help="Measure first what runs teach (minutes).")] = False,
    engines: Annotated[int, typer.Option("--engines", min=2, help="Virtual engines to measure it with.")] = 16,
) -> None:
    """Write the explanations for builder and statistician, with the table of priors and all figures."""
    own = Path(str(files("taperwise.api.explained")))
    folder = folder or own
    try:
        (folder / "figures").mkdir(parents=True, exist_ok=True)
        if learn:
            (own / "learned.csv").write_text(learning.measured(engines), encoding="utf-8")
        for reader, file in READERS.items():
            (folder / f"{file}.md").write_text(with_priors(text_of(reader)), encoding="utf-8")
            typer.echo(folder / f"{file}.md")
        for name, draw in FIGURES.items():
            (folder / "figures" / f"{name}.svg").write_text(draw(), encoding="utf-8")
            typer.echo(folder / "figures" / f"{name}.svg")
    except OSError as error:
        raise InvalidValueError(
            f"it cannot be written: {error.strerror}",
            field="--to",
            value=str(error.filename or folder),
            cure="Name a folder that can be written to.",
        ) from error
