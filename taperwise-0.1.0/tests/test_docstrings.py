"""Public names say what they take, give and refuse: shapes of arrays, and the errors they raise."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

_ROOT = Path(__file__).parents[1]
_ENGINES = "tests/benchmarks/engines"
_ARRAYS = re.compile(r"\b(NDArray|Array|Draws|_F|_Floats|_Ints)\b")
_SHAPE = re.compile(r"\([\w·+ ]+,[\w·+ ,]*\)|shapes? |elementwise|[Pp]arameters (and errors )?as|scalars?\b")


def _public(path: Path) -> Iterator[tuple[str, ast.FunctionDef, str]]:
    """Every public function and method of a file: its name, itself, and the file's own docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = ast.get_docstring(tree) or ""
    names: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.Assign) and any(getattr(t, "id", "") == "__all__" for t in node.targets):
            names = set(ast.literal_eval(node.value))
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name in names:
            yield node.name, node, told
        if isinstance(node, ast.ClassDef) and node.name in names:
            for each in node.body:
                if isinstance(each, ast.FunctionDef) and not each.name.startswith("_"):
                    yield f"{node.name}.{each.name}", each, told


class _Raised(ast.NodeVisitor):
    """Names of the errors a function itself raises."""

    def __init__(self) -> None:
        self.names: set[str] = set()

    def visit_Raise(self, node: ast.Raise) -> None:
        """Note it."""
        error = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
        if isinstance(error, ast.Name) and error.id[0].isupper():
            self.names.add(error.id)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        """What is within it raises by itself."""


def _raises_untold(path: Path) -> list[str]:
    found = []
    for name, function, _ in _public(path):
        raised = _Raised()
        for statement in function.body:
            raised.visit(statement)
        found += [f"{name}: {e}" for e in sorted(raised.names) if e not in (ast.get_docstring(function) or "")]
    return found


def _shapes_untold(path: Path) -> list[str]:
    found = []
    for name, function, module in _public(path):
        arguments = [a.annotation for a in (*function.args.args, *function.args.kwonlyargs) if a.annotation]
        annotated = " ".join(ast.unparse(x) for x in (*arguments, *([function.returns] if function.returns else ())))
        told = (ast.get_docstring(function) or "") + ("elementwise" if "elementwise" in module else "")
        if _ARRAYS.search(annotated) and not _SHAPE.search(told):
            found.append(name)
    return found


def _files(*rooms: str) -> list[Path]:
    return sorted(path for room in rooms for path in (_ROOT / room).rglob("*.py"))


def test_errors_are_told() -> None:
    """What a public function raises by itself stands in its docstring; a command's docstring is its help."""
    files = [path for path in _files("shared", "model", "api", _ENGINES) if path.parent.name != "cli"]
    assert {path.name: untold for path in files if (untold := _raises_untold(path))} == {}


def test_shapes_are_told() -> None:
    """Whatever takes or gives arrays says of which shape."""
    assert {path.name: untold for path in _files("model", _ENGINES) if (untold := _shapes_untold(path))} == {}


def test_what_is_not_told_is_found(tmp_path: Path) -> None:
    """The two searches find a function that says neither, and none that says both."""
    text = '''
__all__ = ["bad", "good"]
def bad(x: NDArray[float]) -> float:
    """Sum."""
    raise ValueError(x)
def good(x: NDArray[float]) -> float:
    """Sum of x, (n,); ValueError if empty."""
    raise ValueError(x)
'''
    file = tmp_path / "file.py"
    file.write_text(text, encoding="utf-8")
    assert _raises_untold(file) == ["bad: ValueError"]
    assert _shapes_untold(file) == ["bad"]
