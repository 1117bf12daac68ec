import inspect
import json
import os
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
from typer.testing import CliRunner

from taperwise.api.cli.main import COMMANDS, app, run
from taperwise.api.files.day import read
from taperwise.api.files.installation import fixture
from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.shared.records import ChangeNeedle, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.api.asking import Client

_AIR = Air(288.15, 101_325.0)


def test_simulated_records_are_accepted(client: Client, tmp_path: Path) -> None:
    """Every record of `simulate --json` is accepted by the API as it stands, and reads as a script."""
    result = CliRunner().invoke(app, ["simulate", "--json", "--engine-seed", "4", "--runs", "6"])
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["about"].startswith("Invented")
    place = client.post("/api/v1/installations", json=document["installation"]).headers["Location"]
    assert document["log"]
    for entry in document["log"]:
        assert client.post(f"{place}/{entry['post']}", json=entry["body"]).status_code == 201
    path = tmp_path / "day.json"
    path.write_text(result.stdout)
    assert len(read(path).entries) == len(document["log"])


def test_simulation_is_reproducible_and_told() -> None:
    """The same seed gives the same engine; without --json it is told in lines."""
    first, again, other = (
        CliRunner().invoke(app, ["simulate", "--engine-seed", seed]).stdout for seed in ("3", "3", "4")
    )
    assert first == again != other
    assert "EGT" in first


def test_the_demo_replays_the_day() -> None:
    """The demo tells every run of the invented day and ends tuned."""
    result = CliRunner().invoke(app, ["demo"])
    assert result.exit_code == 0, result.output
    assert "invented" in result.output
    assert "Change nothing" in result.output
    log = json.loads(fixture("tuning_day.json").read_text(encoding="utf-8"))["log"]
    runs = sum(entry["post"] == "runs" for entry in log)
    assert all(f"Run {n}:" in result.output for n in range(1, runs + 1))
    assert f"Run {runs + 1}:" not in result.output


def test_the_demo_tunes_an_engine_blind(tmp_path: Path) -> None:
    """A virtual engine is tuned blind, the truth is told at the end, and the day can be kept."""
    kept = tmp_path / "day.json"
    result = CliRunner().invoke(app, ["demo", "--engine-seed", "7", "--most-runs", "12", "--save", str(kept)])
    assert "The truth, now that it is over" in result.output
    assert read(kept).entries


def test_listening_wider_is_refused(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Without keys the service listens on this machine only; the cure is said, without a traceback."""
    monkeypatch.setattr("sys.argv", ["taperwise", "serve", "--host", "0.0.0.0"])  # noqa: S104 - what is refused
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    told = capsys.readouterr().err
    assert "127.0.0.1" in told
    assert "Traceback" not in told


@pytest.mark.parametrize("text", ["", "{}", '{"installation": 1}', "[]"])
def test_a_bad_installation_file_is_told(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that cannot be read is named with the cure."""
    path = tmp_path / "mine.json"
    path.write_text(text)
    monkeypatch.setattr("sys.argv", ["taperwise", "simulate", "--installation", str(path)])
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    assert "mine.json" in capsys.readouterr().err


def test_version() -> None:
    """The version is told."""
    assert "model" in CliRunner().invoke(app, ["version"]).stdout


@pytest.mark.parametrize(
    ("rise", "idle", "rpm", "expected"),
    [
        (ExhaustRise(RiseSeen.FELL_AT_ONCE), 3, 800, TurnScrew(0.25)),
        (ExhaustRise(RiseSeen.PEAK, 30 / 1.8), 3, 800, TurnScrew(0.125)),
        (ExhaustRise(RiseSeen.PEAK, 160 / 1.8), 3, 800, TurnScrew(-0.125)),
        (ExhaustRise(RiseSeen.PEAK, 320 / 1.8), 3, 800, TurnScrew(-0.25)),
        (ExhaustRise(RiseSeen.PEAK, 100 / 1.8), 5, 800, ChangeNeedle("taper 30.6")),
        (ExhaustRise(RiseSeen.PEAK, 100 / 1.8), 1, 800, ChangeNeedle("taper 29.4")),
        (ExhaustRise(RiseSeen.PEAK, 100 / 1.8), 3, 600, TurnIdleStop(0.25)),
        (ExhaustRise(RiseSeen.PEAK, 100 / 1.8), 3, 800, None),
    ],
)
def test_the_rule_of_thumb(
    installation: Installation, rise: ExhaustRise, idle: int, rpm: float, expected: object
) -> None:
    """The rule of thumb does what the trade does (common practice, no published source)."""
    run_ = Run(_AIR, rise=rise, idle_quality=IdleQuality(idle), idle_rpm=rpm)
    assert next_adjustment(run_, "taper 30.0", installation) == expected


def test_the_command_line_loads_no_web_service_and_no_sampler() -> None:
    """What only some commands need is loaded by them alone."""
    heavy = ("fastapi", "sqlalchemy", "pydantic", "scipy", "pytensor", "pymc", "nutpie", "numba")
    script = f"import taperwise.api.cli.main, sys; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_refused_document_is_still_told_in_words(tmp_path: Path) -> None:
    """The error that is loaded late is caught all the same: no traceback, status 2."""
    script = "from taperwise.api.cli.main import run; run()"
    command = [sys.executable, "-c", script, "new", "--needle", "A=0"]
    environment = {**os.environ, "TAPERWISE_DATA_FOLDER": str(tmp_path)}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 2
    assert done.stderr.startswith("error: ")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("group", "name"), [(group, name) for group in COMMANDS for name in COMMANDS[group]])
def test_the_list_of_commands_says_what_each_says_of_itself(group: str, name: str) -> None:
    """The help in a list stands apart from the command, which is loaded later: both are the same words."""
    place, told = COMMANDS[group][name]
    module, _, function = place.partition(".")
    own = inspect.getdoc(getattr(import_module(f"taperwise.api.cli.{module}"), function))
    assert own is not None
    assert told == " ".join(own.split("\n\n")[0].split())
    above = [] if group == "taperwise" else [group]
    assert " ".join(told.split()[:3]) in CliRunner().invoke(app, [*above, name, "--help"]).stdout


def test_the_help_of_serve_is_whole_on_a_narrow_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every option in full, with its default and the name of its variable."""
    monkeypatch.setenv("COLUMNS", "80")
    told = CliRunner().invoke(app, ["serve", "--help"]).stdout
    assert "…" not in told
    assert max(map(len, told.splitlines())) <= 80
    assert {"--requests-a-minute", "--max-body-bytes", "TAPERWISE_ROOT_PATH", "(8765)"} <= set(
        re.split(r"[\s:;\]]+", told)
    )
