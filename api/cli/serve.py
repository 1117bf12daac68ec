"""``taperwise serve``: the service on this machine."""

import socket
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from types import FrameType
from typing import Annotated, Literal

import typer
import uvicorn

from taperwise.api.accounts.phones import PHONE_PAGE
from taperwise.api.cli.asgi import address_of, service
from taperwise.api.cli.phone import for_phones
from taperwise.api.core import compile_cache
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import InvalidValueError

__all__ = ["serve"]

_HERE = "127.0.0.1"
_LET_FINISH = 2  # s, for requests that are being answered when the service is told to end


def _default(name: str) -> str:
    """What a setting is without option and variable, for the help: the options themselves have no default."""
    return str(Settings.model_fields[name].default)


def serve(
    data_folder: Annotated[Path | None, typer.Option(help="Where the database lives.")] = None,
    database_url: Annotated[str | None, typer.Option(help="A database elsewhere, as a SQLAlchemy URL.")] = None,
    host: Annotated[
        str | None,
        typer.Option(show_default=_default("host"), help="Address to listen on; others are let in with keys only."),
    ] = None,
    port: Annotated[
        int | None, typer.Option(show_default=_default("port"), min=1, max=65535, help="Port to listen on.")
    ] = None,
    access: Annotated[
        Literal["local", "phone", "keys"] | None,
        typer.Option(show_default=_default("access"), help="phone: see --phone. keys: sign-in is on."),
    ] = None,
    phone: Annotated[
        bool, typer.Option("--phone", help="Let a phone on this network in with a one-time code.")
    ] = False,
    transport: Annotated[
        Literal["tls", "proxy", "plain"] | None, typer.Option(help="How other machines reach the service.")
    ] = None,
    tls_certificate: Annotated[Path | None, typer.Option(help="File of the certificate, for tls.")] = None,
    tls_key: Annotated[Path | None, typer.Option(help="File of the certificate's key, for tls.")] = None,
    public_names: Annotated[str | None, typer.Option(help="Host names of the service, with commas between.")] = None,
    trusted_proxies: Annotated[
        str | None,
        typer.Option(
            show_default=_default("trusted_proxies"), help="Addresses and networks of the proxies, with commas between."
        ),
    ] = None,
    root_path: Annotated[str | None, typer.Option(help="Prefix of all addresses, such as /tuning.")] = None,
    requests_a_minute: Annotated[
        int | None, typer.Option(show_default=_default("requests_a_minute"), help="Requests of one caller in a minute.")
    ] = None,
    sign_ins_a_minute: Annotated[
        int | None,
        typer.Option(show_default=_default("sign_ins_a_minute"), help="Sign-ins of one address or name in a minute."),
    ] = None,
    wait_seconds: Annotated[
        float | None,
        typer.Option(show_default=_default("wait_seconds"), help="How long a request waits for its result [s]."),
    ] = None,
    max_body_bytes: Annotated[
        int | None, typer.Option(show_default=_default("max_body_bytes"), help="Largest request body.")
    ] = None,
    worker: Annotated[
        bool | None, typer.Option(show_default=_default("worker"), help="Make answers that wait, beside the requests.")
    ] = None,
) -> None:
    """Start the service: the API under /api/v1, its page under /docs.

    Each option but --phone can be a variable instead: TAPERWISE_ROOT_PATH for --root-path. The option wins.
    """
    given = dict(locals())
    settings = Settings(**{name: value for name, value in given.items() if value is not None and name != "phone"})
    settings = for_phones(settings) if phone or settings.access == "phone" else settings
    _run(settings)


def _run(settings: Settings) -> None:
    """Listen first, then make the application; until a signal ends it."""
    files = (settings.tls_certificate, settings.tls_key) if settings.transport == "tls" else (None, None)
    _check_readable(*files)
    beside = _listening(_HERE, settings.port) if settings.access == "phone" else nullcontext()
    with _listening(settings.host, settings.port) as door, beside as here:
        app = service(settings)
        typer.echo(f"Taperwise listens on {address_of(settings)} (the API's page: {settings.root_path}/docs)")
        if here is not None:
            own = address_of(settings.model_copy(update={"host": _HERE}))
            typer.echo(f"On this machine, open {own}. A code for another phone: {own}{settings.root_path}{PHONE_PAGE}")
        typer.echo(f"Database: {app.state.database.name}")
        if compile_cache.notice():
            typer.echo(compile_cache.notice(), err=True)
        config = uvicorn.Config(
            app, log_level="warning", log_config=None, ssl_certfile=files[0], ssl_keyfile=files[1],
            proxy_headers=False, timeout_graceful_shutdown=_LET_FINISH,
        )  # fmt: skip
        _Server(config, app.state.desk.patience.end).run(sockets=[door] if here is None else [door, here])


class _Server(uvicorn.Server):
    """Lets go of those who wait as soon as it is told to end, so that they are answered before their doors close."""

    def __init__(self, config: uvicorn.Config, let_go: Callable[[], None]) -> None:
        super().__init__(config)
        self._let_go = let_go

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """A signal to end."""
        self._let_go()
        super().handle_exit(sig, frame)


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
