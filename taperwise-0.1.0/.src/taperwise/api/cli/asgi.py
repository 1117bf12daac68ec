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

from taperwise.api.accounts.authentication import JOIN
from taperwise.api.accounts.invitations import first_link
from taperwise.api.accounts.repository import administrators
from taperwise.api.app import create_app
from taperwise.api.cli.phone import let_phone_in
from taperwise.api.cli.prepare import compiled_beside
from taperwise.api.core import compile_cache, front_door
from taperwise.api.core.database import Database
from taperwise.api.core.logging import configure
from taperwise.api.core.settings import Settings

__all__ = ["LAST_SECONDS", "address_of", "let_first_in", "service"]

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
        If a setting or the database keeps it from starting.
    """
    settings = settings or Settings()
    configure()
    cache_folder = compile_cache.use(settings.cache_folder)
    app = create_app(settings, at_end=_end_soon)
    configure([app.state.database.engine.url.password or ""])
    if settings.access == "keys":
        name = next(iter(settings.names), "")
        start = f"https://{name}" if name else address_of(settings)
        let_first_in(app.state.database, f"{start}{settings.root_path}")
    if app.state.phones is not None:
        let_phone_in(app.state.phones, settings)
    front_door.install(app, settings)
    if settings.worker:
        app.state.worker.announce()
    app.state.desk.prepare_beside(lambda: _prepare(app.state, settings.worker, cache_folder))
    return app


def address_of(settings: Settings) -> str:
    """Where the service listens, as an address without a path."""
    at = f"[{settings.host}]" if ":" in settings.host else settings.host
    scheme = "https" if settings.transport == "tls" else "http"
    return f"{scheme}://{at}:{settings.port}"


def let_first_in(database: Database, address: str) -> None:
    """Print a one-time link for the first administrator, where nobody administers the service yet.

    Parameters
    ----------
    address : str
        Of the service, as a browser has it, with its prefix.
    """
    with database.unit() as session:
        if administrators(session):
            return
        secret = first_link(session)
    typer.echo("Nobody administers this service yet. Open this link once, within 7 days, to be its administrator:")
    typer.echo(f"{address}{JOIN}?invitation={secret}")


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
