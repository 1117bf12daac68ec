"""Runs to finish are a prediction: calibrated on what came, and of the model that decides now."""

import json
from importlib.resources import files

import numpy as np
import pytest

from taperwise.model import MODEL_VERSION
from taperwise.model.design.runs_to_finish import TABLE, table_of, told

STAGE = "full_throttle"


@pytest.fixture
def came(rng: np.random.Generator) -> list[tuple[float, int]]:
    """Prices with runs that come after them: Poisson, whose mean is a known function of the price."""
    prices = rng.uniform(1.0, 20.0, 3000)
    return [(float(price), 1 + int(rng.poisson(0.4 * price))) for price in prices]


def test_the_table_is_of_the_model_that_decides() -> None:
    """A table of another version would foretell what another model's decisions took."""
    table = json.loads(files("taperwise.model.design").joinpath(TABLE).read_text(encoding="utf-8"))
    assert table["model_version"] == MODEL_VERSION, "the bench `campaign --policy ours --calibrate FILE` makes it again"
    assert set(table["stages"]) == {"full_throttle", "idle_mixture", "idle_speed"}


def test_what_is_told_is_the_mean_of_what_comes(came: list[tuple[float, int]]) -> None:
    """Within the scatter of a bin's mean, the number told is the known mean."""
    table = table_of({STAGE: came}, "x")
    prices = np.linspace(3.0, 18.0, 16)
    expected = [found.expected for price in prices if (found := told(table, STAGE, float(price))) is not None]
    assert len(expected) == len(prices)
    assert np.allclose(expected, 1.0 + 0.4 * prices, atol=0.5)


def test_ranges_hold_eight_times_in_ten(came: list[tuple[float, int]], rng: np.random.Generator) -> None:
    """On draws that the table has not seen, as near as whole numbers can."""
    table = table_of({STAGE: came}, "x")
    held = []
    for price in rng.uniform(2.0, 19.0, 2000):
        found = told(table, STAGE, float(price))
        assert found is not None
        held.append(found.low_80 <= 1 + rng.poisson(0.4 * price) <= found.high_80)
    assert 0.75 <= np.mean(held) <= 0.85


def test_nothing_is_told_of_a_stage_without_a_table() -> None:
    """No number is better than a made-up one."""
    assert told(table_of({}, "x"), STAGE, 3.0) is None


def test_few_tunings_make_few_bins() -> None:
    """A mean of two tunings is no calibration: what little there is stands together."""
    rows = table_of({STAGE: [(1.0, 2), (5.0, 4), (9.0, 6)]}, "x")["stages"][STAGE]
    assert len(rows) == 1
    assert rows[0]["expected"] == 4.0
