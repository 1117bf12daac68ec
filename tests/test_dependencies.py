"""What is imported is declared, and what is declared is imported."""

import ast
import re
import sys
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[1]
_PRODUCT = ("api", "model", "shared", "fixtures")
_NOTEBOOKS = "api/docs/notebooks"  # the tests' environment runs them
_PROJECT = tomllib.loads((_ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

_LOADED_BY_OTHERS = {
    "arviz-base": "arviz-stats stands on it",
    "h5netcdf": "xarray writes netCDF with it",
    "h5py": "h5netcdf stands on it",
    "psycopg": "SQLAlchemy loads it for a database's address",
}
"""Declared and not imported by us, with the reason."""

_WITH_PYTEST = {
    "pre-commit", "pytest-xdist", "ruff", "mypy", "import-linter", "build", "setuptools", "ipykernel", "matplotlib",
    "openapi-python-client", "datamodel-code-generator",
}  # fmt: skip
"""Run by the tests, or by Git, as commands; or by a notebook, as its kernel and to paint its pictures."""


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", re.split(r"[\[<>=!~; ]", name, maxsplit=1)[0]).lower()


def _declared(extra: str | None = None) -> set[str]:
    listed = _PROJECT["dependencies"] if extra is None else _PROJECT["optional-dependencies"][extra]
    return {_plain(each) for each in listed}


@cache
def _in_folder(folder: str) -> list[tuple[str, str, bool]]:
    """Every module from elsewhere by its first name, the file that imports it, and whether it does so at its top."""
    found: list[tuple[str, str, bool]] = []
    for file in (_ROOT / folder).rglob("*.py"):
        if folder != _NOTEBOOKS and file.is_relative_to(_ROOT / _NOTEBOOKS):
            continue
        tree = ast.parse(file.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            match node:
                case ast.Import(names=names):
                    modules = [each.name for each in names]
                case ast.ImportFrom(module=str(module), level=0):
                    modules = [module]
                case _:
                    continue
            top = node in tree.body
            found += [(each.partition(".")[0], str(file.relative_to(_ROOT)), top) for each in modules]
    own = {"taperwise", "tests", "__future__"}
    return [each for each in found if each[0] not in sys.stdlib_module_names and each[0] not in own]


def _imported(*folders: str, top: bool = False) -> dict[str, str]:
    """Every module from elsewhere, with a file that imports it; only at the top of files if asked."""
    return {name: file for folder in folders for name, file, at_top in _in_folder(folder) if at_top or not top}


@cache
def _brought() -> Mapping[str, list[str]]:
    return packages_distributions()


def _distributions(module: str) -> set[str]:
    """What brings a module; several may bring parts of one."""
    return {_plain(each) for each in _brought().get(module, [module])}


def _missing(imported: dict[str, str], declared: set[str]) -> dict[str, str]:
    return {name: file for name, file in imported.items() if not _distributions(name) & declared}


def test_what_the_product_imports_is_declared() -> None:
    """Nothing is there only because something else brings it along; extras are loaded where they are needed."""
    extras = set().union(*(_declared(each) for each in _PROJECT["optional-dependencies"] if each != "test"))
    assert _missing(_imported(*_PRODUCT), _declared() | extras) == {}
    assert _missing(_imported(*_PRODUCT, top=True), _declared() | {"distributed"}) == {}


def test_what_the_tests_import_is_declared() -> None:
    """The extra of the tests brings what they need beside the product's own."""
    extras = set().union(*(_declared(each) for each in _PROJECT["optional-dependencies"]))
    assert _missing(_imported("tests", _NOTEBOOKS), _declared() | extras) == {}


def test_what_is_declared_is_imported() -> None:
    """A library that nobody needs any more goes."""
    used = {each for name in _imported(*_PRODUCT) for each in _distributions(name)}
    assert sorted(_declared() - used - set(_LOADED_BY_OTHERS)) == []
    tested = {each for name in _imported("tests", _NOTEBOOKS, *_PRODUCT) for each in _distributions(name)}
    assert sorted(_declared("test") - tested - _WITH_PYTEST) == []


def test_a_module_that_nobody_declared_would_be_found() -> None:
    """The check sees what is not declared."""
    assert _missing({"numpy": "a.py"}, _declared()) == {}
    assert _missing({"numpy": "a.py"}, {"scipy"}) == {"numpy": "a.py"}


@pytest.mark.parametrize("version", ["3.12", "3.13"])
def test_versions_of_python_are_named(version: str) -> None:
    """Those that the checks run with."""
    assert f"Programming Language :: Python :: {version}" in _PROJECT["classifiers"]
    assert version in (_ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_every_library_has_a_pin() -> None:
    """The constraints name a version of everything that is declared."""
    lines = (_ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = {_plain(line) for line in lines if line and not line.startswith("#")}
    extras = set().union(*(_declared(each) for each in _PROJECT["optional-dependencies"]))
    assert sorted((_declared() | extras) - pinned) == []
