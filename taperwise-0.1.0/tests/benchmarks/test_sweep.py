"""The bench of the sweep reader, small."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from taperwise.model.traces.learned_rise import WEIGHTS, Layers, apply
from tests.benchmarks import sweep_weights
from tests.benchmarks.__main__ import app
from tests.benchmarks.engines.leanings import KINDS


def test_bench_sweep() -> None:
    """The benchmark ends in one JSON object with its figures, and beats both naive readers."""
    result = CliRunner().invoke(app, ["sweep", "--traces", "10", "--seed", "3"])
    figures = json.loads(result.stdout.splitlines()[-1])
    assert {"coverage_90", "bias_kelvin", "seconds_per_trace", "naive", "kinds"} <= set(figures)
    assert set(figures["kinds"]) == set(KINDS)
    assert all({"coverage_90", "bias_kelvin", "n"} <= set(kind) for kind in figures["kinds"].values())
    assert figures["below_shown"] == 0
    assert all(
        figures["median_absolute_error_kelvin"] < other["median_absolute_error_kelvin"]
        for other in figures["naive"].values()
    )


def test_the_weights_can_be_made_again() -> None:
    """The command's leanings give features as the reader's weights expect them, and the same ones every time."""
    features, truth = sweep_weights.examples(7, 0, count=6)
    again, _ = sweep_weights.examples(7, 0, count=6)
    kept = json.loads(WEIGHTS.read_text(encoding="utf-8"))
    assert features.shape[1] == len(kept["centre"])
    assert np.isfinite(features).all()
    assert np.isfinite(truth).all()
    assert np.array_equal(features, again)


def test_training_finds_what_is_there(rng: np.random.Generator) -> None:
    """On made-up features the trained mean and half width are those they were made with."""
    x = rng.normal(size=(4000, 3))
    truth = np.stack([x[:, 0] + np.exp(0.5 * x[:, 1]) * rng.normal(size=4000), 0.3 * x[:, 2]], axis=1)
    kept, figures = sweep_weights.train(x, truth, rng, rounds=120)
    layers = tuple((np.array(weights), np.array(bias)) for weights, bias in kept["layers"])
    out = apply(Layers(np.array(kept["centre"]), np.array(kept["scale"]), layers), rng.normal(size=(2000, 3)) * 0.0)
    assert out[0, 0] == pytest.approx(0.0, abs=0.2)
    assert np.exp(out[0, 1]) == pytest.approx(1.645, rel=0.2)  # normal distribution: 90 % within 1.645 sd
    assert figures["ln_lag_rmse"] < 0.15
