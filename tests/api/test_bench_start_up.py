"""The bench of starting, small; and what the command line loads."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.bench.served import served
from api.cli.main import app
from shared.errors import InvalidValueError


def test_the_command_line_loads_no_web_service_and_no_sampler() -> None:
    """What only some commands need is loaded by them alone."""
    heavy = ("fastapi", "sqlalchemy", "pydantic", "scipy", "pytensor", "pymc", "nutpie", "numba")
    script = f"import api.cli.main, sys; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_refused_document_is_still_told_in_words(tmp_path: Path) -> None:
    """The error that is loaded late is caught all the same: no traceback, status 2."""
    script = "from api.cli.main import run; run()"
    command = [sys.executable, "-c", script, "new", "--needle", "A=0"]
    environment = {**os.environ, "EIGHTH_TURN_DATA_FOLDER": str(tmp_path)}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 2
    assert done.stderr.startswith("error: ")
    assert "Traceback" not in done.stderr


def test_a_service_that_ends_is_not_waited_for(tmp_path: Path) -> None:
    """A service that cannot start is told at once, with what it ended with."""
    in_the_way = tmp_path / "file"
    in_the_way.write_text("no folder")
    with served(in_the_way) as service, pytest.raises(InvalidValueError, match="ended before it answered") as ended:
        service.until("/healthz", 60.0)
    assert ended.value.value == 2


@pytest.mark.slow
@pytest.mark.sampled
def test_the_bench_of_starting() -> None:
    """Every figure is there and positive; alive comes before ready, and before the first suggestion."""
    result = CliRunner().invoke(app, ["bench", "start-up", "--repeats", "1", "--no-cold"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout.strip().splitlines()[-1])
    assert 0.0 < found["healthz_s"] < found["ready_warm_s"]
    assert found["healthz_s"] < found["first_suggestion_warm_s"]
    assert found["cli_ratio"] > 1.0
    assert found["cli_import_s"] > 0.0
    assert found["rest_mib"] > 50.0
    assert {found[name] for name in found if name.endswith("_cold_s")} == {None}
