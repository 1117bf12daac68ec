"""``eighth-turn serve``: the service on this machine."""

import threading
from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["serve"]


def serve(
    data_folder: Annotated[Path | None, typer.Option(help="Where the database lives.")] = None,
    database_url: Annotated[str | None, typer.Option(help="A database elsewhere, as a SQLAlchemy URL.")] = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on: this machine only.")] = None,
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="Port to listen on.")] = None,
) -> None:
    """Start the service: the API under /api/v1, its page under /docs."""
    import uvicorn

    from api import compile_cache
    from api.app import create_app
    from api.log_lines import configure

    settings = _settings(data_folder=data_folder, database_url=database_url, host=host, port=port)
    configure()
    compile_cache.use(settings.cache_folder)
    app = create_app(settings)
    typer.echo(f"Eighth Turn listens on http://{settings.host}:{settings.port} (the API's page: /docs)")
    typer.echo(f"Database: {_without_password(settings.url)}")
    threading.Thread(target=_prepare, args=(app.state.desk,), daemon=True, name="prepare").start()
    uvicorn.run(app, host=settings.host, port=settings.port, log_level="warning")


def _settings(**given: Any) -> Any:
    from pydantic import ValidationError

    from api.settings import Settings
    from shared.errors import InvalidValueError

    try:
        return Settings(**{name: value for name, value in given.items() if value is not None})
    except ValidationError as error:
        first = error.errors()[0]
        raise InvalidValueError(
            first["msg"].removeprefix("Value error, "), field=str(first["loc"][0]), value=first["input"]
        ) from None


def _without_password(url: str) -> str:
    from sqlalchemy import make_url

    return make_url(url).render_as_string(hide_password=True)


def _prepare(desk: Any) -> None:
    desk.prepare(lambda words: typer.echo(f"… {words}"))
    typer.echo("Ready.")
