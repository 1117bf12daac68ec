"""The model and the vocabulary hold codes and figures: what a person reads is written in `api/presentation`."""

import ast
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[1]
_LONG = 25  # characters, from which text with a space in it is no name of anything

_ALLOWED = {
    "shared/errors.py": "messages of errors",
    "shared/limits.py": "which screw an error speaks of",
    "shared/units.py": "what errors say of a quantity, and pint's definitions of units",
    "shared/meters.py": "a meter's labels, which come with it in one row",
    "model/physics/priors.py": "what each prior rests on, for the statistician",
    "model/inference/compiled_logp.py": "progress of compiling, for a console and the log",
}


def _sentences(source: str) -> list[tuple[int, str]]:
    """Text that is no docstring, no annotation and no part of an error, by line."""
    tree = ast.parse(source)
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        match node:
            case ast.Expr(value=ast.Constant()):
                skipped.add(node.value)
            case ast.Raise():
                skipped.update(ast.walk(node))
            case ast.Call(func=ast.Name(id=name)) if name.endswith("Error"):
                skipped.update(ast.walk(node))
            case ast.FunctionDef(returns=annotation) | ast.arg(annotation=annotation) if annotation is not None:
                skipped.update(ast.walk(annotation))
            case ast.AnnAssign(annotation=annotation):
                skipped.update(ast.walk(annotation))
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in skipped
        if " " in node.value.strip() and len(node.value) > _LONG
    ]


def _found() -> dict[str, list[tuple[int, str]]]:
    files = [file for floor in ("model", "shared") for file in sorted((_ROOT / floor).rglob("*.py"))]
    read = {str(file.relative_to(_ROOT)): _sentences(file.read_text(encoding="utf-8")) for file in files}
    return {name: texts for name, texts in read.items() if texts}


def test_the_model_holds_no_sentence() -> None:
    """But where it is said why; what is allowed and not needed is no longer allowed."""
    assert set(_found()) == set(_ALLOWED), _found().keys() ^ _ALLOWED.keys()


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ('why = "No other step promises more than this."', True),
        ('why = f"No other step promises more than {chance:.0%}."', True),
        ('def f():\n    return {"a": "Another run here teaches nothing."}', True),
        ('"""What is said of a module, at length."""', False),
        ('x = 1\n"""What is said of a value, at length."""', False),
        ('raise InvalidValueError("this is no kind of quantity at all")', False),
        ('error = InvalidValueError("this is no kind of quantity at all")', False),
        ('def f(x: "dict[str, tuple[int, float]]") -> "dict[str, tuple[int, float]]": ...', False),
        ('code = "a_code_of_more_than_twenty_five_letters"', False),
        ('effect = "richer than before"', False),
    ],
)
def test_sentences_are_told_from_names(source: str, found: bool) -> None:
    """Text in an expression is one, in whatever form it is written; docstrings, errors and names are none."""
    assert bool(_sentences(source)) is found
