"""The reference pages that the code knows: ``python -m tests.reference`` writes them again."""

import inspect
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer
from pydantic_core import PydanticUndefined

from taperwise.api.app import create_app
from taperwise.api.cli.main import COMMANDS, app
from taperwise.api.cli.serve import serve
from taperwise.api.core.problems import status_of
from taperwise.api.core.roles import RULE_KEY, Rule
from taperwise.api.core.settings import COMMON, Settings
from taperwise.shared import errors
from taperwise.shared.errors import NotReadyError

__all__ = ["FOLDER", "PAGES"]

FOLDER = Path(__file__).parents[1] / "api" / "docs" / "reference"

_WHO = {
    Rule.ANYONE: "anyone",
    Rule.SIGNED_IN: "everyone who is signed in",
    Rule.SETS_UP: "builders and advisers",
    Rule.SEES: "the owner and advisers with access",
    Rule.OWNS: "the owner",
    Rule.KEEPS_POOL: "pool keepers",
    Rule.ADMINISTERS: "administrators",
}
_ELSEWHERE = {
    "data_folder": "your data folder",
    "cache_folder": "your cache folder",
}
"""Defaults that differ between machines."""


def _cell(text: str) -> str:
    """Text for a cell of a table."""
    return re.sub(r"\s+", " ", text).replace("|", "\\|").strip()


def _table(*heads: str) -> str:
    return f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}\n"


def _row(*cells: str) -> str:
    return f"| {' | '.join(_cell(each) for each in cells)} |\n"


def _made(title: str, lead: str) -> str:
    return f"# {title}\n\n{lead}\n\n<!-- made by python -m tests.reference: change the code, then run that -->\n\n"


def _section(name: str, command: Any) -> str:
    """One command: how it is called, what it does, its arguments and options."""
    asked = [p for p in command.params if p.name != "help"]
    arguments = "".join(f" {p.name.upper()}" for p in asked if p.param_type_name == "argument")
    options = " [OPTIONS]" if any(p.param_type_name == "option" for p in asked) else ""
    text = f"## {name}\n\n`{name}{options}{arguments}`\n\n{_cell(command.help or '')}\n\n"
    if not asked:
        return text
    text += _table("argument or option", "meaning", "default")
    for each in asked:
        named = (*each.opts, *each.secondary_opts) if each.param_type_name == "option" else (each.name.upper(),)
        choices = [getattr(choice, "value", choice) for choice in getattr(each.type, "choices", ())]
        words = (each.help or "") + (f" One of: {', '.join(choices)}." if choices else "")
        unset = each.default is None or isinstance(each.default, bool) or callable(each.default)
        default = "needed" if each.required else "" if unset else str(each.default)
        text += _row(f"`{'`, `'.join(named)}`", words, default)
    return text + "\n"


def commands() -> str:
    """Every command, from Typer."""
    root: Any = typer.main.get_command(app)
    text = _made("Commands", "All commands of the program, with their arguments and options.")
    for group, known in COMMANDS.items():
        where = root if group == "taperwise" else root.commands[group]
        for name in known:
            full = f"taperwise {name}" if group == "taperwise" else f"taperwise {group} {name}"
            text += _section(full, where.resolve_command(typer.Context(where), [name])[1])
    return text + _section("taperwise version", root.commands["version"]).rstrip() + "\n"


def _described() -> dict[str, str]:
    """What the docstring of the settings says of each."""
    text = inspect.getdoc(Settings) or ""
    found = {}
    for names, said in re.findall(r"^(\w[\w, ]*) : .*\n((?:    .*\n)+)", text + "\n", re.MULTILINE):
        for name in names.split(", "):
            found[name] = said.replace("``", "`")
    return found


def settings() -> str:
    """Every setting, with its default and the option of `serve`."""
    common = ", ".join(f"`TAPERWISE_{name.upper()}`" for name in COMMON)
    lead = (
        "Set them in the environment. Most have an option of `taperwise serve` too. The option wins.\n\n"
        f"{common} have none: all commands need the same value."
    )
    text = _made("Settings", lead) + _table("variable", "default", "option of `serve`", "meaning")
    options = inspect.signature(serve).parameters
    described = _described()
    for name, field in Settings.model_fields.items():
        default = _ELSEWHERE.get(name) or (
            "" if field.default in (None, "", PydanticUndefined) else f"`{field.default}`"
        )
        option = f"`--{name.replace('_', '-')}`" if name in options else ""
        text += _row(f"`TAPERWISE_{name.upper()}`", default, option, described[name])
    return text


def _service() -> Any:
    made = create_app(Settings(data_folder=Path(tempfile.mkdtemp()), database_url=""))
    made.state.database.close()
    return made


def http() -> str:
    """Every route of the JSON API, from OpenAPI."""
    lead = (
        "All addresses of the JSON API. The service shows every field, with examples, at `/docs`. "
        "The page [A first HTTP run](../tutorial/first_http_run.md) shows how to use them."
    )
    text = _made("HTTP", lead)
    for path, methods in _service().openapi()["paths"].items():
        for method, said in methods.items():
            text += f"## {method.upper()} {path}\n\n{said['summary']}. {_cell(said['description'])}\n\n"
            text += f"- For: {_WHO[Rule(said[RULE_KEY])]}\n"
            asked = [f"`{p['name']}`" for p in said.get("parameters", [])]
            text += f"- Parameters: {', '.join(asked)}\n" if asked else ""
            text += f"- Status: {', '.join(sorted(said['responses']))}\n\n"
    return text.rstrip() + "\n"


def error_types() -> str:
    """Every error by its type, and every status."""
    lead = (
        "Every error of the JSON API is a problem document (RFC 9457). It names the field, the value and the cure. "
        "After a status from 400 to 499, nothing was stored. After 500 to 599, read the history. "
        "Users of the library meet the types themselves."
    )
    text = _made("Errors", lead) + "## By type\n\n" + _table("type", "status", "title", "when")
    for name in errors.__all__:
        kind = getattr(errors, name)
        if name != "TaperwiseError":
            status, title = status_of(NotReadyError(5) if kind is NotReadyError else kind("no", cure="Do."))
            text += _row(f"`{name}`", str(status), title, (inspect.getdoc(kind) or "").split("\n\n")[0])
    text += "\nA GET that meets `NotReadyError` is answered with 202 and `Retry-After`.\n\n## By status\n\n"
    found = {
        status: said["description"]
        for methods in _service().openapi()["paths"].values()
        for operation in methods.values()
        for status, said in operation["responses"].items()
        if int(status) >= 400
    }
    text += _table("status", "meaning") + "".join(_row(status, found[status]) for status in sorted(found))
    return text


PAGES: dict[str, Callable[[], str]] = {
    "commands": commands,
    "settings": settings,
    "http": http,
    "errors": error_types,
}
"""Name of each page, and what writes it."""


if __name__ == "__main__":
    for name, write in PAGES.items():
        (FOLDER / f"{name}.md").write_text(write(), encoding="utf-8")
