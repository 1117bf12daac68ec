"""What the commands that record and answer work with: the database and the adviser of the settings."""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import typer
from rich.console import Console

from taperwise.api.cli.database import opened_database
from taperwise.api.core.database import Database
from taperwise.api.core.logging import configure
from taperwise.api.core.settings import Settings
from taperwise.api.recommendations.factory import make_recommender
from taperwise.api.recommendations.service import RecommendationService
from taperwise.shared.errors import InvalidValueError

__all__ = ["Shop", "opened", "print_json", "quantity"]

_QUANTITY = re.compile(r"\s*([+-]?[0-9]*[.,]?[0-9]+)\s*(.*?)\s*")
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

    database: Database
    desk: RecommendationService
    console: Console

    def ready(self) -> None:
        """Get the sampler ready, saying so."""
        if not self.desk.ready:
            with self.console.status("getting the model ready (the first time about a minute)"):
                self.desk.prepare()


@contextmanager
def opened() -> Iterator[Shop]:
    """Open the shop of the settings; closed afterwards."""
    configure()
    with opened_database() as (database, _):
        desk = RecommendationService(make_recommender, Settings().seed)
        yield Shop(database, desk, Console(stderr=True, highlight=False, markup=False))


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
