"""The explanations say what the model is: their table, figures and pages."""

import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from taperwise.api.cli.main import app
from taperwise.api.explained.figures import FIGURES, RUNS, read_learned
from taperwise.api.explained.text import READERS, text_of, with_priors
from taperwise.model.inference.contraction import LEARNED
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import Client

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")


@pytest.mark.parametrize("reader", READERS)
def test_the_table_of_priors_is_the_models(reader: str) -> None:
    """A prior that changed changes the text."""
    assert with_priors(text_of(reader)) == text_of(reader)


def test_only_the_statistician_is_told_the_priors() -> None:
    """Every unknown stands in one text, with its reason, and in none without formulas."""
    assert "| `idle_blur` | lognormal |" in text_of("statistician")
    assert "|" not in text_of("builder")


@pytest.mark.parametrize("name", FIGURES)
def test_figures_are_the_models(name: str) -> None:
    """A figure drawn anew, in a process of its own as the command draws it, is the one that is shown, to a hundredth
    of a point.
    """
    kept = files("taperwise.api.explained").joinpath("figures", f"{name}.svg").read_text(encoding="utf-8")
    drawing = f"from taperwise.api.explained.figures import FIGURES; print(FIGURES[{name!r}](), end='')"
    drawn = subprocess.run([sys.executable, "-c", drawing], capture_output=True, text=True, check=True).stdout
    assert _NUMBER.sub("#", drawn) == _NUMBER.sub("#", kept)
    ours, theirs = (np.array([float(x) for x in _NUMBER.findall(text)]) for text in (drawn, kept))
    np.testing.assert_allclose(ours, theirs, atol=0.01)


def test_what_runs_teach_is_told_of_every_unknown() -> None:
    """The mixture at full throttle is learned at once; no share is more than all."""
    shares = read_learned()
    assert sorted(shares) == sorted(LEARNED)
    assert all(len(each) == len(RUNS) and max(each) <= 1.0 for each in shares.values())
    assert shares["gain_full"][0] > 0.8


def test_pages(client: Client) -> None:
    """Both are shown to anybody, with their figures and links that lead on; others are not there."""
    for reader in READERS:
        shown = client.get(f"/model/{reader}")
        assert shown.status_code == 200
        for address in re.findall(r'(?:src|href)="(/model/[^"]+)"', shown.text):
            assert client.get(address).status_code == 200
        assert "figures/" not in re.sub(r'"/model/figures/', "", shown.text)
    assert client.get("/model/pilot").status_code == 404
    assert client.get("/model/figures/none.svg").status_code == 404


def test_the_command_writes_all_of_it(tmp_path: Path) -> None:
    """Texts and figures, elsewhere if asked."""
    assert CliRunner().invoke(app, ["explain", "--to", str(tmp_path)]).exit_code == 0
    found = sorted(str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*.*"))
    assert found == sorted([*(f"{f}.md" for f in READERS.values()), *(f"figures/{n}.svg" for n in FIGURES)])


def test_a_place_that_is_no_folder_is_told(tmp_path: Path) -> None:
    """With the option's name, and nothing else happens."""
    in_the_way = tmp_path / "file"
    in_the_way.write_text("no folder")
    with pytest.raises(InvalidValueError, match="cannot be written"):
        CliRunner().invoke(app, ["explain", "--to", str(in_the_way)], catch_exceptions=False)
    assert in_the_way.read_text() == "no folder"
