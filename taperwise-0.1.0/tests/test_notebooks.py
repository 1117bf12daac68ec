"""The notebooks run from their first cell to their last; their text can be opened as cells."""

import re
from pathlib import Path

import jupytext
import pytest

from tests.notebooks import NOTEBOOKS, executed, shown

_PICTURES = {"checking_the_model": 3}
"""How many pictures a notebook shows at least."""


def test_there_are_three_and_the_tutorial_names_them() -> None:
    """First steps, checking, comparing."""
    names = [path.name for path in NOTEBOOKS]
    assert names == ["checking_the_model.py", "comparing_decision_rules.py", "first_steps.py"]
    tutorial = (NOTEBOOKS[0].parents[1] / "tutorial/first_notebook.md").read_text(encoding="utf-8")
    assert sorted(re.findall(r"^\| `(\w+\.py)`", tutorial, re.MULTILINE)) == names


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_cells_are_cells(path: Path) -> None:
    """A heading begins, words stand before code, and every cell of code compiles by itself."""
    cells = jupytext.read(path).cells
    assert cells[0].source.startswith("# ")
    assert [cell.cell_type for cell in cells[:2]] == ["markdown", "code"]
    code = [cell.source for cell in cells if cell.cell_type == "code"]
    for text in code:
        compile(text, path.name, "exec")
    assert len(code) >= 4
    assert sum(cell.cell_type == "markdown" for cell in cells) >= 4


@pytest.mark.thorough(daily=False)
@pytest.mark.slow
@pytest.mark.sampled
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path: Path, tmp_path: Path) -> None:
    """In a kernel of its own, in an empty folder, to its end; its own assertions hold, and its pictures are there."""
    notebook = executed(path, tmp_path)
    assert shown(notebook, "stdout")
    assert len(shown(notebook, "image/png")) >= _PICTURES.get(path.stem, 0)
