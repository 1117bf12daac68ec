"""The bench of the information estimate, small; its cases and references against closed forms of their own."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from taperwise.model.design.ground_run import Latents
from taperwise.model.physics.priors import PRIORS, ROUGH_RISE_KELVIN
from tests.benchmarks.__main__ import app
from tests.benchmarks.gain_cases import KINDS, Case, cases
from tests.benchmarks.gain_reference import nested, reference, same_error


def test_cases_are_jointly_normal_with_the_moments_stated(rng: np.random.Generator) -> None:
    """θ has the spreads and the correlation of its table; nuisances given θ vary, and shrink with the posterior."""
    case = Case("both", 0.4, 0.0)
    z = rng.standard_normal((40_000, 2))
    theta = case.theta(z)
    assert theta.std(axis=0) == pytest.approx([0.24, 0.32], rel=0.02)
    assert np.corrcoef(theta[:, 0], theta[:, 1])[0, 1] == pytest.approx(-0.4, abs=0.02)
    latents = Latents(*case.latents(z, rng.standard_normal((40_000, case.nuisances))))
    assert latents.exhaust_scale.std() == pytest.approx(PRIORS["exhaust_scale"].spread * np.sqrt(0.4), rel=0.02)
    assert np.corrcoef(latents.exhaust_scale, z[:, 0])[0, 1] == pytest.approx(0.5, abs=0.02)
    assert np.corrcoef(latents.full, theta[:, 0])[0, 1] < -0.9
    fixed = Latents(*case.latents(np.zeros((40_000, 2)), rng.standard_normal((40_000, case.nuisances))))
    assert 0.0 < fixed.full.std() < latents.full.std()


def test_readings_are_censored_and_every_judgement_is_given() -> None:
    """The widest case has falls at once, peaks, and rises beyond which the engine is rough; all five levels."""
    case = Case("both", 1.0, 0.25)
    rng = np.random.default_rng(1)
    drawn = case.outcomes(
        case.latents(rng.standard_normal((4000, 2)), rng.standard_normal((4000, case.nuisances))), rng
    )
    assert (drawn.rise < 0.0).mean() > 0.01
    assert (drawn.rise > ROUGH_RISE_KELVIN).mean() > 0.001
    assert set(drawn.level) == {1.0, 2.0, 3.0, 4.0, 5.0}


@pytest.mark.slow
def test_reference_and_plain_estimator_agree() -> None:
    """The reference and plain nested Monte Carlo, which share no integration, meet within their errors."""
    known = reference(0.4, 0.0, 6, 7, 4)
    for kind in KINDS:
        assert known.standard_error[kind] < 0.02
        found = [nested(Case(kind, 0.4, 0.0), 4096, np.random.default_rng(seed)) for seed in range(6)]
        error = np.hypot(np.std(found, ddof=1) / np.sqrt(6), known.standard_error[kind])
        # the plain estimator's own bias at this size is about a hundredth of a nat
        assert abs(np.mean(found) - known.nats[kind]) < 4.0 * error + 0.02
    assert max(known.nats["rise"], known.nats["idle"]) < known.nats["both"] < known.nats["rise"] + known.nats["idle"]


def test_a_size_that_is_not_reached_is_said() -> None:
    """Where the plain estimator is not as good at the largest size tried, that is told."""
    case = Case("idle", 0.4, 0.0)
    exact = reference(0.4, 0.0, 5, 6, 2).nats["idle"]
    peer, reached = same_error(case, exact, 1e-6, 2, 128)
    assert (peer.outer, reached) == (128, False)
    easy, there = same_error(case, exact, 10.0, 2, 128)
    assert (easy.outer, there) == (64, True)


def test_every_width_setting_and_reading_is_a_case() -> None:
    """Three widths, three settings, three kinds of reading."""
    assert len({case.name for case in cases()}) == len(cases()) == 27


def test_the_bench_of_information() -> None:
    """Every figure is there; errors are small beside what is to learn, ratios positive, stated errors no fiction."""
    small = ["--repeats", "12", "--cases", "3", "--peer-seeds", "3", "--peer-most", "256"]
    coarse = ["--scrambles", "3", "--outer-power", "6", "--inner-power", "6"]
    result = CliRunner().invoke(app, ["gain", *small, *coarse])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout.strip().splitlines()[-1])
    assert 0.0 < found["max_error_nats"] < 0.3
    assert found["max_rms_error_nats"] < 0.15
    assert found["max_reference_error_nats"] < 0.03
    assert found["ratio_to_nested"] > 0.0
    assert found["mcse_coverage"] > 0.6
    assert found["sizes"]["cases"] == len(found["cases"]) == 3
    assert [one["case"].split(",")[0] for one in found["cases"]] == ["rise", "idle", "both"]
