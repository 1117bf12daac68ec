"""Logs that the rule of thumb made on virtual engines."""

from itertools import pairwise

import pytest

from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.model.simulation.tuned import FIELD, tuned
from taperwise.shared.records import ChangeNeedle, Installation
from taperwise.shared.runs import Run


@pytest.mark.parametrize("seed", range(6))
def test_the_rule_is_followed_until_two_needles_were_tried(installation: Installation, seed: int) -> None:
    """So many runs and so many more; each adjustment is the rule's after the run before it; the field's weather."""
    log, more = tuned(installation, 12, seed, more=2)
    runs = [entry for entry in log if isinstance(entry, Run)]
    assert (len(runs), len(more)) == (12, 2)
    assert sum(isinstance(entry, ChangeNeedle) for entry in log) <= 2
    fitted = installation.fitted_needle
    for run, after in pairwise(log):
        if isinstance(run, Run) and not isinstance(after, Run):
            assert after == next_adjustment(run, fitted, installation)
            fitted = after.needle if isinstance(after, ChangeNeedle) else fitted
    for run in (*runs, *more):
        assert abs(run.air.temperature_kelvin - FIELD.air.temperature_kelvin) <= FIELD.kelvin
        assert abs(run.air.pressure_pascal - FIELD.air.pressure_pascal) <= FIELD.pascal


def test_a_seed_is_a_log(installation: Installation) -> None:
    """The same seed gives the same log again, another one another."""
    assert tuned(installation, 3, 1) == tuned(installation, 3, 1) != tuned(installation, 3, 2)
