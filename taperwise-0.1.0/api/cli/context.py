"""What the commands that record and answer work with: the database and the adviser of the settings."""

import json
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
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
from taperwise.shared.units import KINDS, from_si

__all__ = ["Shop", "opened", "print_json", "quantity", "writable", "write_bytes"]

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
def opened(data_folder: Path | None = None, database_url: str | None = None) -> Iterator[Shop]:
    """Open the shop of the settings, or of the database given; closed afterwards."""
    configure()
    with opened_database(data_folder, database_url) as (database, _):
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
            cure=f'Write for example "{_example(kind, unit)}".',
        )
    given = found.group(2)
    return {
        "value": float(found.group(1).replace(",", ".")),
        "unit": _SIGNS.get(kind, {}).get(given, given) or unit,
    }


_USUAL = {
    "temperature": 293.15, "temperature_rise": 55.0, "pressure": 99_000.0, "elevation": 200.0, "length": 0.0254,
    "fuel_head": 0.5, "taper": 0.03, "volume": 2.2e-3, "rpm": 2700.0, "rpm_rise": 20.0, "head_temperature": 450.0,
    "exhaust_temperature": 1000.0, "fuel_flow": 8e-6, "lambda": 0.88, "fraction": 0.5,
}  # fmt: skip
"""A usual value of each kind, in SI, for examples that are possible."""


def _example(kind: str, unit: str) -> str:
    value = _USUAL.get(kind, 1.0)
    return f"{from_si(kind, value, unit) if kind in KINDS else value:.4g} {unit}".strip()


def writable(option: str, path: Path | None, *, force: bool = False) -> None:
    """Refuse a file that cannot be written, before any work is done for it; ask before one is overwritten.

    Parameters
    ----------
    option : str
        As it was typed.
    path : Path or None
        None needs no check.
    force : bool
        Whether to overwrite without asking.

    Raises
    ------
    InvalidValueError
        If it cannot be written, or is there already and nobody can be asked.
    """
    if path is None:
        return
    folder = path.absolute().parent
    reason = ""
    if path.is_dir():
        reason = "this is a folder"
    elif not folder.is_dir():
        reason = "there is no such folder"
    elif not os.access(path if path.exists() else folder, os.W_OK):
        reason = "you may not write there"
    if reason:
        raise InvalidValueError(
            f"the file cannot be written: {reason}", field=option, value=path, cure="Choose another place."
        )
    if not path.exists() or force:
        return
    if not sys.stdin.isatty():
        raise InvalidValueError(
            "this file is there already", field=option, value=path, cure="Choose another name, or add --force."
        )
    if not typer.confirm(f"Overwrite {path}?"):
        raise typer.Exit(1)


def write_bytes(option: str, path: Path, content: bytes) -> None:
    """Write a file.

    Raises
    ------
    InvalidValueError
        If that fails.
    """
    try:
        path.write_bytes(content)
    except OSError as error:
        raise InvalidValueError(
            f"the file cannot be written: {error.strerror}", field=option, value=path, cure="Choose another place."
        ) from None


def print_json(document: Any) -> None:
    """One JSON object on standard output."""
    typer.echo(json.dumps(document, indent=1, ensure_ascii=False))
