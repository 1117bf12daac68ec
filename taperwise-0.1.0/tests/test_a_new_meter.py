"""The seam for a further kind of observation: a row, a rule, and nothing else."""

import subprocess
import sys
from pathlib import Path

import pytest

from taperwise.model.physics import meters as rules
from taperwise.shared import meters
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.runs import Air, Run

_ROOT = Path(__file__).parents[1]


@pytest.mark.slow
def test_a_meter_added_through_the_seam_alone(tmp_path: Path) -> None:
    """Likelihood, graph, virtual engine, wire, form, history, table and contract take up two toy meters and a unit."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.a_new_meter", str(tmp_path)],
        capture_output=True, text=True, check=False, cwd=_ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stdout.split()[-1] == "fine"


@pytest.mark.parametrize(
    ("meter", "field"),
    [
        (meters.Meter("fuel_flow", "fuel_flow", "fuel flow", "Fuel flow"), "name"),
        (meters.Meter("two words", "lambda", "two words", "Two words"), "name"),
        (meters.Meter("weight", "weight", "weight", "Weight"), "kind"),
    ],
)
def test_a_meter_that_cannot_be(meter: meters.Meter, field: str) -> None:
    """A name that is taken or is none, a kind nobody knows: refused, with the cure, and nothing is added."""
    before = meters.meters()
    with pytest.raises(InvalidValueError) as refused:
        meters.add(meter)
    assert refused.value.field == field
    assert meters.meters() == before


@pytest.mark.parametrize(("name", "scatter"), [("nobody", 0.01), ("fuel_flow", 0.01)])
def test_a_rule_that_cannot_be(name: str, scatter: float) -> None:
    """For no meter, or for one that has its rule."""
    with pytest.raises(InvalidValueError, match="A rule belongs to one meter"):
        rules.add(name, rules.Rule(scatter, lambda at: at.mean))


def test_a_meter_without_a_rule_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the two lines is not passed over in silence."""
    monkeypatch.delitem(rules._RULES, "fuel_flow")
    with pytest.raises(InvalidValueError, match="This meter has no rule"):
        rules.scatter_of("fuel_flow")
    with pytest.raises(InvalidValueError, match="its scatter must be positive"):
        rules.add("fuel_flow", rules.Rule(0.0, lambda at: at.mean))


@pytest.mark.parametrize("reading", [("nobody", 1.0), ("fuel_flow", 0.0), ("fuel_flow", float("nan"))])
def test_a_reading_is_of_a_known_meter(reading: tuple[str, float]) -> None:
    """The record itself refuses what no meter shows."""
    with pytest.raises(InvalidValueError, match="A reading needs a known meter"):
        Run(Air(288.15, 101_325.0), meters=(reading,))
