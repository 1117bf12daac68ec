"""The bench of the sweep reader, small."""

import json

from typer.testing import CliRunner

from tests.benchmarks.__main__ import app


def test_bench_sweep() -> None:
    """The benchmark ends in one JSON object with its figures, and beats both naive readers."""
    result = CliRunner().invoke(app, ["sweep", "--traces", "20"])
    figures = json.loads(result.stdout.splitlines()[-1])
    assert {"coverage_90", "bias_kelvin", "seconds_per_trace", "naive"} <= set(figures)
    assert all(
        figures["median_absolute_error_kelvin"] < other["median_absolute_error_kelvin"]
        for other in figures["naive"].values()
    )
