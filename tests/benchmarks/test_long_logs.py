"""The bench of long logs at a tiny size."""

import json

import pytest
from typer.testing import CliRunner

from tests.benchmarks.__main__ import app


@pytest.mark.slow
@pytest.mark.sampled
def test_every_kind_of_log_is_fitted() -> None:
    """The last line holds what each cost."""
    result = CliRunner().invoke(app, ["long-logs", "--runs", "2"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout.strip().splitlines()[-1])
    assert set(found) == {"2 at random", "2 of an engine", "2 never risen"}
    assert all(each["cpu_seconds"] > 0 for each in found.values())
