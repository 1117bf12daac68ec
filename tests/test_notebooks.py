"""The notebooks run from their first cell to their last; their text can be opened as cells."""

import subprocess
import sys
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[1]
_NOTEBOOKS = sorted((_ROOT / "api/docs/notebooks").glob("*.py"))


def _cells(path: Path) -> list[tuple[str, str]]:
    """Kind and text of every cell of a script in the percent format."""
    parts = path.read_text(encoding="utf-8").split("# %%")
    assert parts[0] == ""
    return [("text" if part.startswith(" [markdown]") else "code", part.split("\n", 1)[1]) for part in parts[1:]]


def test_there_are_three() -> None:
    """First steps, checking, comparing."""
    assert [path.stem for path in _NOTEBOOKS] == ["checking_the_model", "comparing_decision_rules", "first_steps"]


@pytest.mark.parametrize("path", _NOTEBOOKS, ids=lambda path: path.stem)
def test_cells_are_cells(path: Path) -> None:
    """Text is commented out, code compiles by itself, and a heading begins."""
    cells = _cells(path)
    assert cells[0][1].startswith("# # ")
    for kind, text in cells:
        if kind == "text":
            assert all(line.startswith("#") for line in text.splitlines() if line), text
        else:
            compile(text, path.name, "exec")
    assert sum(kind == "code" for kind, _ in cells) >= 4


@pytest.mark.thorough(daily=False)
@pytest.mark.slow
@pytest.mark.sampled
@pytest.mark.parametrize("path", _NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path: Path, tmp_path: Path) -> None:
    """In a process of its own, in an empty folder, to its end; its own assertions hold."""
    done = subprocess.run(
        [sys.executable, str(path)], capture_output=True, text=True, check=False, timeout=3_600, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stdout.strip()
