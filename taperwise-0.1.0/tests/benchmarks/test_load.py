"""The load bench at a tiny size."""

import json

import pytest
from typer.testing import CliRunner

from tests.benchmarks.__main__ import app


@pytest.mark.slow
def test_every_run_is_recorded_and_counted() -> None:
    """Runs that do not divide evenly are all recorded; the last line holds the figures."""
    result = CliRunner().invoke(app, ["load", "--builders", "4", "--runs", "30"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout.strip().splitlines()[-1])
    assert (found["builders"], found["runs"], found["errors"], found["stored"]) == (4, 30, 0, 30)
    assert 0 < found["p50_ms"] <= found["p95_ms"] <= found["p99_ms"]
    assert abs(found["rss_growth_mib"]) < 1000
    assert found["ratio_to_plain"] == pytest.approx(
        found["runs_per_second"] / found["plain_commits_per_second"], rel=0.01, abs=1e-3
    )
