"""All strings that a person reads outside the documents, by where they stand."""

import ast
import inspect
import re
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import typer

from taperwise.api.app import create_app
from taperwise.api.cli.main import COMMANDS, app
from taperwise.api.core.settings import Settings

__all__ = ["in_code", "in_help", "in_openapi", "in_templates", "options_there"]

_ROOT = Path(__file__).parents[1]
_FEWEST = 3
"""Words from which a string in code counts, outside of `api/presentation`."""

_NO_PROSE = re.compile(
    r"<|%\(|\\[dswb]|^[A-Z]+ [A-Z_]+|^[a-z-]+ '|^select|\bFROM\b|=\[|::|^\(|^taperwise |^data:|^/|offset: 0|boundary="
)
_FOR_STATISTICIANS = ("model/physics/priors.py", "model/docs", "api/explained/text.py", "api/explained/figures.py")
_NOT_SHOWN = ("api/migrations", "api/core/database.py", "api/core/openapi_page.py", "api/web/rendering.py")


def in_code() -> dict[str, list[str]]:
    """Texts of the service's, the model's and the vocabulary's modules: no docstrings, no queries, no patterns."""
    found = {}
    for floor in ("api", "model", "shared"):
        for file in sorted((_ROOT / floor).rglob("*.py")):
            name = str(file.relative_to(_ROOT))
            if not name.startswith((*_FOR_STATISTICIANS, *_NOT_SHOWN)):
                few = 1 if name.startswith("api/presentation") else _FEWEST
                found[name] = [text for text in _texts(file) if len(text.split()) >= few and not _NO_PROSE.search(text)]
    return {name: texts for name, texts in found.items() if texts}


def _texts(file: Path) -> Iterator[str]:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        match node:
            case ast.Expr(value=ast.Constant()):
                skipped.add(node.value)
            case ast.JoinedStr(values=values):
                skipped.update(each for value in values for each in ast.walk(value))
            case ast.Assign(targets=[ast.Name(id="__all__")]):
                skipped.update(ast.walk(node))
            case ast.arg(annotation=annotation) | ast.FunctionDef(returns=annotation) if annotation is not None:
                skipped.update(ast.walk(annotation))
            case ast.Call(func=ast.Attribute(attr="compile" | "sub" | "search" | "fullmatch" | "execute" | "error")):
                skipped.update(ast.walk(node))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and node not in skipped:
            yield "".join(v.value if isinstance(v, ast.Constant) else "0" for v in node.values if _is_text(v))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in skipped:
            yield node.value


def _is_text(part: ast.expr) -> bool:
    return isinstance(part, ast.FormattedValue) or (isinstance(part, ast.Constant) and isinstance(part.value, str))


def in_templates() -> dict[str, list[str]]:
    """What a browser shows of each template: text, labels and the texts that its expressions hand over."""
    found = {}
    for file in sorted((_ROOT / "api/web/templates").glob("*.html")):
        text = re.sub(r"\{#.*?#\}", "", file.read_text(encoding="utf-8"), flags=re.DOTALL)
        given = [
            given
            for code in re.findall(r"\{[{%].*?[%}]\}", text, re.DOTALL)
            for given in re.findall(r'"([^"]*)"', code)
            if " " in given
        ]
        plain = re.sub(r"\{%.*?%\}", "", re.sub(r"\{\{.*?\}\}", "0", text, flags=re.DOTALL), flags=re.DOTALL)
        given += re.findall(r'(?:aria-label|alt|placeholder|title|data-queue)="([^"]*)"', plain)
        plain = re.sub(r"(?s)<(?:svg|script|style).*?</(?:svg|script|style)>", "\n", plain)
        plain = re.sub(r"</?(?:strong|em|small|code|a|span|abbr|time|kbd)\b[^>]*>", "", plain)
        lines = re.split(r"<[^>]*>|\n\s*\n", plain)
        found[f"api/web/templates/{file.name}"] = [" ".join(each.split()) for each in [*lines, *given] if each.strip()]
    return found


def in_help() -> dict[str, list[str]]:
    """Help of every command with its arguments and options."""
    found: dict[str, list[str]] = {}
    for command in _commands():
        texts = [command.help or "", *((param.help or "") for param in command.params if param.name != "help")]
        file = inspect.getsourcefile(inspect.unwrap(command.callback)) or ""
        found.setdefault(file.partition("/api/cli/")[2], []).extend(" ".join(text.split()) for text in texts if text)
    return {f"api/cli/{name}": texts for name, texts in found.items()}


def options_there() -> set[str]:
    """Every option of every command."""
    params = [param for command in _commands() for param in command.params]
    return {"--help", *(flag for param in params for flag in (*param.opts, *param.secondary_opts))}


def _commands() -> Iterator[Any]:
    root: Any = typer.main.get_command(app)
    for group, known in COMMANDS.items():
        where = root if group == "taperwise" else root.commands[group]
        for name in known:
            yield where.resolve_command(typer.Context(where), [name])[1]


@cache
def in_openapi() -> tuple[str, ...]:
    """Titles and descriptions of the JSON API."""
    service = create_app(Settings(data_folder=Path(tempfile.mkdtemp()), database_url=""))
    service.state.database.close()
    return tuple(_descriptions(service.openapi()))


def _descriptions(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        for name, inner in part.items():
            if name in ("description", "summary") and isinstance(inner, str):
                yield " ".join(inner.split())
            elif name not in ("example", "examples", "default", "enum"):
                yield from _descriptions(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from _descriptions(inner)
