"""The service as an ASGI application: what `taperwise serve` runs, and what another server can be pointed at.

For example ``uvicorn --factory taperwise.api.cli.asgi:service --no-proxy-headers``. Everything is set in the
environment then. It stands beside the commands because it has the model compiled by one of them.
"""

import os
import threading
from pathlib import Path

import structlog
import typer
from fastapi import FastAPI
from starlette.datastructures import State

from taperwise.api.accounts.repository import administrators
from taperwise.api.app import create_app
from taperwise.api.cli.prepare import compiled_beside
from taperwise.api.core import compile_cache, front_door
from taperwise.api.core.database import Database
from taperwise.api.core.logging import configure
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import InvalidValueError

__all__ = ["LAST_SECONDS", "service"]

LAST_SECONDS = 5.0
"""How long a calculation may go on once the service is told to end [s]. What it would store is calculated again."""

_log = structlog.get_logger("taperwise")


def service(settings: Settings | None = None) -> FastAPI:
    """The application, its database migrated, the model being made ready beside it.

    Parameters
    ----------
    settings : Settings, optional
        Of the environment if left out.

    Raises
    ------
    InvalidValueError
        If a setting, the database or the accounts keep it from starting.
    """
    settings = settings or Settings()
    configure()
    cache_folder = compile_cache.use(settings.cache_folder)
    app = create_app(settings, at_end=_end_soon)
    configure([app.state.database.engine.url.password or ""])
    if settings.access == "keys":
        _check_somebody_may_in(app.state.database)
    front_door.install(app, settings)
    if settings.worker:
        app.state.worker.announce()
    app.state.desk.prepare_beside(lambda: _prepare(app.state, settings.worker, cache_folder))
    return app


def _check_somebody_may_in(database: Database) -> None:
    with database.reading() as session:
        there = administrators(session)
    if not there:
        raise InvalidValueError(
            "Sign-in is on, and this service has no administrator",
            field="access",
            value="keys",
            cure="Make an administrator: taperwise person add NAME --role administrator, then taperwise key new NAME.",
        )


def _tell(state: State, line: str) -> None:
    state.desk.countdown.hear(line)
    typer.echo(line)


def _prepare(state: State, work: bool, cache_folder: Path) -> None:
    try:
        compiled_beside(cache_folder, lambda line: _tell(state, line))
        state.desk.prepare(lambda words: typer.echo(f"… {words}"))
    except BaseException:
        state.worker.announce(coming=False)
        raise
    typer.echo("Ready.")
    if work:
        state.worker.start()


def _end_soon() -> None:
    """End this process even if a calculation goes on: nothing of it is stored, and the next start makes it again."""

    def end() -> None:
        _log.warning("ended_while_calculating", seconds=LAST_SECONDS)
        os._exit(0)

    timer = threading.Timer(LAST_SECONDS, end)
    timer.daemon = True
    timer.start()
