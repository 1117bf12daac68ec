"""``taperwise serve``: the service on this machine."""

import socket
from pathlib import Path
from typing import Annotated

import typer
import uvicorn
from starlette.datastructures import State

from taperwise.api.accounts.authentication import JOIN
from taperwise.api.accounts.invitations import first_link
from taperwise.api.accounts.repository import administrators
from taperwise.api.app import create_app
from taperwise.api.cli.prepare import compiled_beside
from taperwise.api.core import compile_cache
from taperwise.api.core.database import Database
from taperwise.api.core.logging import configure
from taperwise.api.core.settings import Settings
from taperwise.api.core.trusted_host import OnlyThisMachine
from taperwise.shared.errors import InvalidValueError

__all__ = ["serve"]


def serve(
    data_folder: Annotated[Path | None, typer.Option(help="Where the database lives.")] = None,
    database_url: Annotated[str | None, typer.Option(help="A database elsewhere, as a SQLAlchemy URL.")] = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on; others are let in with keys only.")] = None,
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="Port to listen on.")] = None,
    worker: Annotated[bool | None, typer.Option(help="Make answers that wait, beside the requests.")] = None,
) -> None:
    """Start the service: the API under /api/v1, its page under /docs."""
    given = {"data_folder": data_folder, "database_url": database_url, "host": host, "port": port, "worker": worker}
    settings = Settings(**{name: value for name, value in given.items() if value is not None})
    configure()
    with _listening(settings.host, settings.port) as door:
        cache_folder = compile_cache.use(settings.cache_folder)
        app = create_app(settings)
        configure([app.state.database.engine.url.password or ""])
        if not settings.for_others:
            app.add_middleware(OnlyThisMachine)
        at = f"[{settings.host}]" if ":" in settings.host else settings.host
        scheme = "https" if settings.transport == "tls" else "http"
        address = f"{scheme}://{at}:{settings.port}"
        typer.echo(f"Taperwise listens on {address} (the API's page: /docs)")
        if settings.access == "keys":
            _let_first_in(app.state.database, address)
        typer.echo(f"Database: {app.state.database.name}")
        if compile_cache.notice():
            typer.echo(compile_cache.notice(), err=True)
        if settings.worker:
            app.state.worker.announce()
        app.state.desk.prepare_beside(lambda: _prepare(app.state, settings.worker, cache_folder))
        files = (settings.tls_certificate, settings.tls_key) if settings.transport == "tls" else (None, None)
        _check_readable(*files)
        config = uvicorn.Config(app, log_level="warning", log_config=None, ssl_certfile=files[0], ssl_keyfile=files[1])
        uvicorn.Server(config).run(sockets=[door])


def _let_first_in(database: Database, address: str) -> None:
    """Print a one-time link for the first administrator, where nobody administers the service yet."""
    with database.unit() as session:
        if administrators(session):
            return
        secret = first_link(session)
    typer.echo("Nobody administers this service yet. Open this link once, within 7 days, to be its administrator:")
    typer.echo(f"{address}{JOIN}?invitation={secret}")


def _check_readable(*files: Path | None) -> None:
    for name, file in zip(("tls_certificate", "tls_key"), files, strict=True):
        if file is not None and not file.is_file():
            raise InvalidValueError(
                "there is no such file", field=name, value=file.name, cure=f"Set TAPERWISE_{name.upper()} to it."
            )


def _listening(host: str, port: int) -> socket.socket:
    """A socket that listens, taken before anything slow is begun."""
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as error:
        raise InvalidValueError(
            f"it is not possible to listen there: {error.strerror}",
            field="port",
            value=f"{host}:{port}",
            cure="Another program, or this one already started, may be using it: choose another with --port.",
        ) from None


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
