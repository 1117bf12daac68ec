import ast
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[2]
_MODULES = sorted(path for folder in ("model", "tests/benchmarks/engines") for path in (_ROOT / folder).rglob("*.py"))


@pytest.mark.parametrize("path", _MODULES, ids=lambda p: str(p.relative_to(_ROOT)))
def test_no_global_randomness_or_clock(path: Path) -> None:
    """Randomness in the model comes from a generator that is handed in or seeded in plain sight."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) in ("np.random", "numpy.random"):
            assert node.attr in ("Generator", "default_rng"), ast.unparse(node)
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("default_rng"):
            assert node.args, "a generator needs its seed"
