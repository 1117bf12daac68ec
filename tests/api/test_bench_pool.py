"""The benches of the pool, small."""

import json

import pytest
from typer.testing import CliRunner

from api.cli.main import app


@pytest.mark.slow
def test_the_bench_of_the_pool_tells_its_growth() -> None:
    """Sizes, seconds, mebibytes and the exponent; ten times the engines take less than twelve times as long."""
    result = CliRunner().invoke(app, ["bench", "pool", "--engines", "2000,20000"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout.strip().splitlines()[-1])
    assert told["sizes"] == [2000, 20000]
    assert len(told["seconds"]) == len(told["mebibytes"]) == 2
    assert told["exponent"] <= 1.08
    assert 0 < told["mebibytes"][1] < 500


@pytest.mark.parametrize("options", [["--engines", "ten"], ["--engines", "0"], ["--engines", "5", "--method", "guess"]])
def test_what_cannot_be_benched_is_said(options: list[str]) -> None:
    """Sizes that are none and methods that do not exist are refused before anything is compiled."""
    result = CliRunner().invoke(app, ["bench", "pool", *options])
    assert result.exit_code != 0
    assert result.exception is not None
    assert "--engines" in str(result.exception) or "--method" in str(result.exception)
