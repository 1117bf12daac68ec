"""The campaign and fault benches: one JSON object last, and clear refusals."""

import json
from typing import Any

import pytest
from typer.testing import CliRunner

from api.cli.main import app, run

_FIGURES = {"median_runs", "p90_runs", "true_claims", "brier", "lean_runs", "violations", "unfinished"}


def _bench(*arguments: str) -> dict[str, Any]:
    result = CliRunner().invoke(app, ["bench", *arguments])
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout.splitlines()[-1])
    return found


def test_a_campaign_of_the_knowing_and_the_simple() -> None:
    """The oracle needs fewer runs than the rule of thumb, and claims nothing false; every figure is there."""
    found = _bench("campaign", "--engines", "8", "--policy", "rule_of_thumb", "--policy", "oracle")
    assert (found["family"], found["engines"]) == ("prior", 8)
    rule, oracle = found["policies"]["rule_of_thumb"], found["policies"]["oracle"]
    assert set(rule) >= _FIGURES
    assert set(oracle) >= _FIGURES
    assert oracle["median_runs"] < rule["median_runs"]
    assert (oracle["true_claims"], oracle["violations"], oracle["unfinished"]) == (1.0, 0, 0.0)


@pytest.mark.slow
def test_a_campaign_and_a_fault_with_the_real_model() -> None:
    """Ours in a campaign of its own, and a fault injected, each in worker processes."""
    ours = _bench("campaign", "--engines", "1", "--seed", "2", "--policy", "ours", "--jobs", "1")["policies"]["ours"]
    assert ours["violations"] == 0
    assert ours["true_claims"] == 1.0
    faults = _bench("faults", "--engines", "1", "--fault", "probe", "--jobs", "1")
    assert {"false_alarms", "faults"} <= set(faults)
    assert {"campaigns", "detected", "median_runs"} <= set(faults["faults"]["probe"])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["campaign", "--family", "none"], "There are: prior"),
        (["campaign", "--policy", "best"], "There are: ours"),
        (["faults", "--fault", "rust"], "There are: turn_wrong_way"),
    ],
)
def test_unknown_names(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is not known is told, with what is."""
    monkeypatch.setattr("sys.argv", ["eighth-turn", "bench", *arguments])
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    assert words in capsys.readouterr().err
