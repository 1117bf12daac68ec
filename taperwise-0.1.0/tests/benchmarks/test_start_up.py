"""The bench of starting, small."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from taperwise.shared.errors import InvalidValueError
from tests.benchmarks.__main__ import app
from tests.benchmarks.served import served


def test_a_service_that_ends_is_not_waited_for(tmp_path: Path) -> None:
    """A service that cannot start is told at once, with what it ended with."""
    in_the_way = tmp_path / "file"
    in_the_way.write_text("no folder")
    with (
        served(tmp_path, TAPERWISE_DATA_FOLDER=str(in_the_way)) as service,
        pytest.raises(InvalidValueError, match="ended before it answered") as ended,
    ):
        service.until("/healthz", 60.0)
    assert ended.value.value == 2


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
@pytest.mark.sampled
def test_the_bench_of_starting() -> None:
    """Every figure is there and positive; alive comes before ready, and before the first suggestion."""
    result = CliRunner().invoke(app, ["start-up", "--repeats", "1", "--no-cold"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout.strip().splitlines()[-1])
    assert 0.0 < found["healthz_s"] < found["ready_warm_s"]
    assert found["healthz_s"] < found["first_suggestion_warm_s"]
    assert found["cli_ratio"] > 1.0
    assert found["cli_import_s"] > 0.0
    assert found["rest_mib"] > 50.0
    assert {found[name] for name in found if name.endswith("_cold_s")} == {None}
