"""The campaign and fault benches: one JSON object last, and clear refusals."""

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from taperwise.shared.errors import InvalidValueError
from tests.benchmarks.__main__ import app, run

_FIGURES = {
    "median_runs", "mean_runs", "tuned_runs", "p90_runs", "true_claims", "true_claims_read", "brier", "lean_runs",
    "violations", "unfinished", "fit", "false_alarms", "gave_up_fitting", "repeats",
}  # fmt: skip


def _bench(*arguments: str) -> dict[str, Any]:
    result = CliRunner().invoke(app, [*arguments])
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout.splitlines()[-1])
    return found


@pytest.mark.slow
def test_a_campaign_of_the_knowing_and_the_simple() -> None:
    """The oracle needs fewer runs than the rule of thumb, and claims nothing false; every figure is there."""
    found = _bench("campaign", "--engines", "8", "--policy", "rule_of_thumb", "--policy", "oracle")
    assert (found["family"], found["engines"]) == ("prior", 8)
    rule, oracle = found["policies"]["rule_of_thumb"], found["policies"]["oracle"]
    assert set(rule) >= _FIGURES
    assert set(oracle) >= _FIGURES
    assert oracle["median_runs"] < rule["median_runs"]
    assert rule["tuned_runs"] < rule["mean_runs"]  # those it gave up count with the most runs
    assert (
        len(rule["gave_up_fitting"]["runs"])
        == rule["gave_up_fitting"]["campaigns"]
        >= rule["gave_up_fitting"]["both_right"]
    )
    assert (oracle["true_claims"], oracle["violations"], oracle["unfinished"]) == (1.0, 0, 0.0)


@pytest.mark.slow
def test_a_campaign_outside() -> None:
    """The outside family through the whole bench: the oracle tunes what fits, and gives up none of it."""
    oracle = _bench("campaign", "--engines", "4", "--family", "outside", "--policy", "oracle")["policies"]["oracle"]
    assert oracle["true_claims"] == 1.0
    none = {"campaigns": 0, "of": round(4 * oracle["fit"]), "share": 0.0, "runs": [], "both_right": 0}
    assert oracle["gave_up_fitting"] == none
    assert oracle["mean_runs"] == oracle["tuned_runs"] <= oracle["p90_runs"]
    assert oracle["false_alarms"] == {"campaigns": 0, "of": 4, "share": 0.0}
    assert oracle["repeats"] == 0.0


@pytest.mark.slow
def test_a_stopped_bench_goes_on(tmp_path: Path) -> None:
    """What is kept is not done again, what was cut off is, and the figures are those of a bench that never stopped."""
    keep = tmp_path / "kept.jsonl"
    asked = ("campaign", "--engines", "4", "--policy", "rule_of_thumb", "--keep", str(keep))
    whole = _bench(*asked)
    lines = keep.read_text().splitlines(keepends=True)
    assert len(lines) == 4
    keep.write_text("".join(lines[:2]) + lines[2][:20])
    assert _bench(*asked) == whole
    assert sorted(keep.read_text().splitlines(keepends=True)) == sorted(lines)
    changed = [json.loads(line) for line in lines]
    for _, result in changed:
        result["violations"] = 7
    keep.write_text("".join(json.dumps(each) + "\n" for each in changed))
    assert _bench(*asked)["policies"]["rule_of_thumb"]["violations"] == 28


def test_results_are_not_kept_in_another_file(tmp_path: Path) -> None:
    """A file of something else is refused and left as it is."""
    other = tmp_path / "notes.txt"
    other.write_text("not ours\nand not whole")
    with pytest.raises(InvalidValueError, match="not a file of kept results"):
        CliRunner().invoke(app, ["campaign", "--policy", "oracle", "--keep", str(other)], catch_exceptions=False)
    assert other.read_text() == "not ours\nand not whole"


def test_a_place_where_nothing_can_be_kept_is_told_at_once(tmp_path: Path) -> None:
    """Not after the first result."""
    nowhere = str(tmp_path / "none" / "kept.jsonl")
    with pytest.raises(InvalidValueError, match="cannot be written"):
        CliRunner().invoke(app, ["campaign", "--policy", "oracle", "--keep", nowhere], catch_exceptions=False)


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
@pytest.mark.sampled
def test_a_fault_with_the_real_model() -> None:
    """A fault injected into campaigns of ours, in worker processes; ours itself is held in the model's own tests."""
    faults = _bench("faults", "--engines", "1", "--fault", "probe", "--jobs", "1", "--seed", "9")
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
    monkeypatch.setattr("sys.argv", ["benchmarks", *arguments])
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    assert words in capsys.readouterr().err
