"""The notebooks, executed: ``python -m tests.notebooks FOLDER`` keeps each there with what its cells showed."""

import sys
from pathlib import Path

import jupytext
from nbclient import NotebookClient
from nbformat import NotebookNode

__all__ = ["NOTEBOOKS", "executed", "main", "shown"]

NOTEBOOKS = tuple(sorted((Path(__file__).parents[1] / "api/docs/notebooks").glob("*.py")))
"""The texts, by name."""


def executed(path: Path, folder: Path) -> NotebookNode:
    """A notebook with what its cells showed, run in a kernel of its own in a folder.

    Raises
    ------
    nbclient.exceptions.CellExecutionError
        If a cell fails; the error holds the cell and its traceback.
    """
    notebook = jupytext.read(path)
    NotebookClient(
        notebook, timeout=1_800, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    return notebook


def shown(notebook: NotebookNode, kind: str) -> list[str]:
    """All that cells gave: of a stream, such as ``stdout``, or of a type of data, such as ``image/png``."""
    found = [each for cell in notebook.cells if cell.cell_type == "code" for each in cell.outputs]
    streams = [each.text for each in found if each.output_type == "stream" and each.name == kind]
    return streams + [each.data[kind] for each in found if kind in each.get("data", {})]


def main(folder: Path) -> None:
    """Run all, and write what common programs open."""
    folder.mkdir(parents=True, exist_ok=True)
    for path in NOTEBOOKS:
        jupytext.write(executed(path, folder), folder / f"{path.stem}.ipynb")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
