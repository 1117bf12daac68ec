"""What the commands that record and answer work with: the database and the adviser of the settings."""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import typer

from shared.errors import InvalidValueError

if TYPE_CHECKING:
    from rich.console import Console

    from api.advice.desk import Desk
    from api.database import Database

__all__ = ["Shop", "opened", "print_json", "quantity"]

_QUANTITY = re.compile(r"\s*([+-]?\d*[.,]?\d+)\s*(.*?)\s*")
_SIGNS = {
    "temperature": {"°F": "degF", "F": "degF", "°C": "degC", "C": "degC", "K": "kelvin"},
    "temperature_rise": {"°F": "delta_degF", "F": "delta_degF", "°C": "delta_degC", "C": "delta_degC", "K": "kelvin"},
    "head_temperature": {"°F": "degF", "F": "degF", "°C": "degC", "C": "degC", "K": "kelvin"},
    "exhaust_temperature": {"°F": "degF", "F": "degF", "°C": "degC", "C": "degC", "K": "kelvin"},
    "taper": {"%": "percent"},
    "fraction": {"%": "percent"},
}


@dataclass(frozen=True)
class Shop:
    """The database, the desk, and where to talk."""

    database: "Database"
    desk: "Desk"
    console: "Console"

    def ready(self) -> None:
        """Get the sampler ready, saying so."""
        if not self.desk.ready:
            with self.console.status("getting the model ready (the first time about a minute)"):
                self.desk.prepare()


@contextmanager
def opened() -> Iterator[Shop]:
    """Open the shop of the settings; closed afterwards."""
    from rich.console import Console

    from api import compile_cache
    from api.access import changes
    from api.access.caller import COMMAND_LINE, calling
    from api.advice.desk import Desk
    from api.advice.real_adviser import real_adviser
    from api.database import Database
    from api.log_lines import configure
    from api.settings import Settings

    settings = Settings()
    configure()
    settings.cache_folder.mkdir(parents=True, exist_ok=True)
    compile_cache.use(settings.cache_folder)
    database = Database(settings.url)
    database.watchers.append(changes.watch)
    database.migrate()
    try:
        with calling(COMMAND_LINE):
            yield Shop(
                database,
                Desk(real_adviser, settings.seed),
                Console(stderr=True, highlight=False, markup=False),
            )
    finally:
        database.close()


def quantity(field: str, kind: str, text: str, unit: str) -> dict[str, Any]:
    """A quantity as typed on a command line, such as ``68``, ``68 degF`` or ``20°C``.

    Parameters
    ----------
    unit : str
        Where none is given.

    Raises
    ------
    InvalidValueError
        If there is no number in it.
    """
    found = _QUANTITY.fullmatch(text)
    if found is None:
        raise InvalidValueError(
            "this is no number with a unit",
            field=field,
            value=text,
            cure=f'Write for example "{68 if unit else 1} {unit}".',
        )
    given = found.group(2)
    return {
        "value": float(found.group(1).replace(",", ".")),
        "unit": _SIGNS.get(kind, {}).get(given, given) or unit,
    }


def print_json(document: Any) -> None:
    """One JSON object on standard output."""
    typer.echo(json.dumps(document, indent=1, ensure_ascii=False))
