"""The bench of many installations, small."""

import json

import pytest
from typer.testing import CliRunner

from api.cli.main import app
from model.advisor import Advisor


@pytest.mark.slow
def test_the_bench_of_many(advisor: Advisor, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each page is timed among many and among few; those that were copied are really there."""
    monkeypatch.setattr("model.advisor.Advisor", lambda *_, **__: advisor)  # compiled once is enough
    monkeypatch.setattr("api.pages.many.ON_A_LEAF", 7)
    result = CliRunner().invoke(app, ["bench", "many", "--installations", "25", "--runs", "1", "--repeats", "2"])
    assert result.exit_code == 0, (result.output, result.exception)
    found = json.loads(result.stdout.strip().splitlines()[-1])
    for name in ("list", "desk", "found", "last_leaf"):
        assert 0.0 < found[f"{name}_p50_ms"] <= found[f"{name}_p95_ms"]
        assert found[f"{name}_ratio_to_ten"] > 0.0
