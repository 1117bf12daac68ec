"""``taperwise serve`` with a model whose calculation never ends, in a process of its own: ``… PORT``."""

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from taperwise.api.app import create_app
from taperwise.api.cli import asgi
from taperwise.api.cli.serve import serve
from taperwise.api.core.settings import Settings
from tests.api.conftest import StandIn


class Endless(StandIn):
    """Says that it calculates, and goes on."""

    def learn(self, *_given: Any, **_named: Any) -> Any:
        """Never come back."""
        print("calculating", flush=True)
        time.sleep(3600.0)


def _app(settings: Settings, at_end: Callable[[], None]) -> Any:
    return create_app(settings, Endless, at_end=at_end)


def _compiled(_folder: Path, _tell: Callable[[str], None]) -> None:
    pass


if __name__ == "__main__":
    asgi.create_app = _app  # type: ignore[assignment] - the two arguments that are used
    asgi.compiled_beside = _compiled
    serve(port=int(sys.argv[1]))
