"""Commands, options, settings, addresses and files that the documents name are those of the program."""

import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer

from taperwise.api.app import create_app
from taperwise.api.cli.main import COMMANDS, app
from taperwise.api.core.settings import Settings
from tests.api.accounts.conftest import routes_of
from tests.sentences import HELP, README

_ROOT = Path(__file__).parents[1]
_DOCUMENTS = (README, "DEVELOPERS.md", *(path for path in HELP if not path.endswith("changelog.md")))


def _code(path: str) -> list[str]:
    """Every line of code and every span of it."""
    text = (_ROOT / path).read_text(encoding="utf-8").replace("\\\n", " ")
    blocks = re.findall(r"```\w*\n(.*?)```", text, re.DOTALL)
    spans = re.findall(r"`([^`]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
    return [re.sub(r"\s+", " ", line).strip() for line in ("\n".join(blocks).splitlines() + spans)]


@cache
def _options(group: str, name: str) -> set[str]:
    """Every option of a command; an empty set where there is no such command."""
    root: Any = typer.main.get_command(app)
    if name not in COMMANDS.get(group, {}) and (group, name) != ("taperwise", "version"):
        return set()
    where = root if group == "taperwise" else root.commands[group]
    asked = where.resolve_command(typer.Context(where), [name])[1].params
    return {"--help", *(flag for each in asked for flag in (*each.opts, *each.secondary_opts))}


def _commands(path: str) -> list[tuple[str, str, list[str]]]:
    """Group, name and options of every command that a document shows."""
    found = []
    for line in _code(path):
        for said in re.findall(r"(?:^|&& |/|[A-Z_]+=\S+ )taperwise ([a-z][^&#`]*)", line):
            words = said.split()
            group = words.pop(0) if words[0] in COMMANDS else "taperwise"
            if words:
                found.append((group, words[0], re.findall(r"(?<!\S)--[a-z-]+", said)))
    return found


@pytest.mark.parametrize("path", _DOCUMENTS)
def test_commands_and_options_are_there(path: str) -> None:
    """What a reader is told to type exists."""
    for group, name, options in _commands(path):
        known = _options(group, name)
        assert known, f"{group} {name}"
        assert set(options) <= known, f"{group} {name}"


def test_commands_are_found_in_the_documents() -> None:
    """The reading of the documents sees them."""
    assert sum(len(_commands(path)) for path in _DOCUMENTS) > 60
    assert ("taperwise", "serve", []) in _commands("api/docs/how_to/install_on_a_server.md")
    assert ("taperwise", "demo", []) in _commands(README)


@pytest.mark.parametrize("path", _DOCUMENTS)
def test_settings_are_there(path: str) -> None:
    """What a reader is told to set exists; tests have variables of their own."""
    named = set(re.findall(r"TAPERWISE_([A-Z_]+[A-Z])", (_ROOT / path).read_text(encoding="utf-8")))
    of_tests = {"TEST_SEED", "TEST_POSTGRES", "TEST_EVERYTHING_ON", "PICTURES"}
    assert {name.lower() for name in named - of_tests} <= set(Settings.model_fields)


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Every address of the service, what varies in it as an asterisk."""
    service = create_app(Settings(data_folder=tmp_path_factory.mktemp("claims"), database_url=""))
    service.state.database.close()
    return {re.sub(r"\{[^}]*\}|\b(?:NUMBER|SEQUENCE)\b", "*", path) for _, path, _ in routes_of(service.routes)}


@pytest.mark.parametrize("path", _DOCUMENTS)
def test_addresses_are_there(path: str, addresses: set[str]) -> None:
    """What a reader is told to open or to send to exists."""
    for said in _code(path):
        found = re.fullmatch(r"(?:(?:GET|POST|PUT|DELETE) )?(/[a-z][^\s?]*|…/[^\s?]*|/)", said)
        folders = ("/docs", "/var/lib/taperwise", "/var/cache/taperwise", "/opt/taperwise", "/etc/taperwise.env")
        if found is None or found[1] in folders:
            continue
        pattern = re.sub(r"\{[^}]*\}|\b(?:NUMBER|SEQUENCE|\d+)\b", "*", found[1])
        tail = pattern.removeprefix("…")
        there = pattern in addresses or (pattern[0] == "…" and any(each.endswith(tail) for each in addresses))
        assert there or pattern in ("/model/builder", "/model/statistician", "/installations/", "/tuning"), said
