"""``taperwise prepare``: the sampler compiled ahead, and beside a service that is starting."""

import importlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import typer

from taperwise.api.core.compile_cache import SamplerShelf
from taperwise.api.recommendations.factory import make_recommender

__all__ = ["compiled_beside", "end_with_whoever_holds_the_input", "prepare"]

_COMMAND = (
    sys.executable, "-c",
    "from taperwise.api.cli.prepare import end_with_whoever_holds_the_input; end_with_whoever_holds_the_input();"
    "from taperwise.api.cli.main import run; run()", "prepare",
)  # fmt: skip


def prepare() -> None:
    """Compile the sampler into the cache folder, so that the next start takes seconds; after an upgrade, say."""
    make_recommender().prepare(lambda words: typer.echo(f"… {words}"))


def compiled_beside(folder: Path, tell: Callable[[str], None]) -> None:
    """Have the sampler compiled by a process of its own, if the cache has none: the service answers meanwhile, and what
    compiling brings into memory goes with it.

    A child that fails leaves the compiling, and the telling why it fails, to whoever comes next.

    Parameters
    ----------
    folder : Path
        The cache folder of the settings.
    tell : callable
        Told line by line what the child says.
    """
    if SamplerShelf(folder).get() is not None:
        return
    with subprocess.Popen(  # noqa: S603 - our own words
        _COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as child:
        _load_meanwhile()
        for line in child.stdout or ():
            tell(line.rstrip("\n"))
    if child.returncode:
        tell(f"… compiling in a process of its own ended with {child.returncode}; the service does it itself")


def _load_meanwhile() -> None:
    """Load what the sampler needs as a library, while another core compiles: it takes a second or two."""
    for library in ("arviz_stats.base", "nutpie", "taperwise.model.recommender"):
        importlib.import_module(library)


def end_with_whoever_holds_the_input() -> None:
    """End this process when the other end of its standard input is let go: however a service ends, nothing is left."""

    def wait() -> None:
        while os.read(0, 1):
            pass
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()
