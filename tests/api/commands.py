"""Commands as somebody types them."""

import sys
from collections.abc import Callable

import pytest

from taperwise.api.cli.main import run

__all__ = ["Command", "caller"]

Command = Callable[..., tuple[int, str, str]]
"""Words typed, without the program's name: exit status, output, and what was told beside it."""


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
