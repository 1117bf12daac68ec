"""Commands as somebody types them."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from taperwise.api.cli import context
from taperwise.api.cli.main import run
from tests.api.conftest import StandIn

__all__ = ["Command", "caller", "with_stand_in"]

Command = Callable[..., tuple[int, str, str]]
"""Words typed, without the program's name: exit status, output, and what was told beside it."""


def with_stand_in(
    monkeypatch: pytest.MonkeyPatch, folder: Path, stand_in: StandIn, capsys: pytest.CaptureFixture[str]
) -> Command:
    """Runs commands that answer at once, with their database in a folder."""
    monkeypatch.setattr(context, "make_recommender", lambda _seed: stand_in)
    monkeypatch.setenv("TAPERWISE_DATA_FOLDER", str(folder / "data"))
    return caller(monkeypatch, capsys)


def caller(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """Runs commands in this process; none may end with a traceback."""

    def call(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["taperwise", *words])
        with pytest.raises(SystemExit) as ended:
            run()
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        return int(ended.value.code or 0), told.out, told.err

    return call
