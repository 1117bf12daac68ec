"""Needles known by their order alone: what runs teach of the step between them, and advice in steps."""

import ctypes
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from taperwise.model.inference.compiled_logp import _DENSITY
from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.pymc_model import _SCALARS
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.prediction.needle_steps import steps_to_right
from taperwise.model.prediction.setting_draws import predict_settings, target_at
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import ChangeNeedle, Entry, Installation, Needle, TurnScrew
from taperwise.shared.runs import Air
from tests.conftest import NEEDLES

_F = NDArray[np.float64]
_ROW = Installation(tuple(Needle(label) for label in "ABCDEFG"), "D")
_ENGINES = 20  # a batch


def _campaign(unknowns: Unknowns, rng: np.random.Generator, changes: float) -> tuple[list[Entry], VirtualEngine]:
    """Four to six runs, between them a turn or another needle."""
    engine, log = VirtualEngine(_ROW, unknowns, rng), list[Entry]()
    for _ in range(rng.integers(4, 7)):
        log.append(engine.run(Air(rng.uniform(270, 300), rng.uniform(92_000, 102_000))))
        turn, needle = TurnScrew(float(rng.choice([-0.25, 0.25]))), ChangeNeedle(str(rng.choice(list("ABCEFG"))))
        adjustment = needle if rng.random() < changes and needle.needle != engine.position.needle else turn
        engine.adjust(adjustment)
        log.append(adjustment)
    return log, engine


def _ranked(posterior: Posterior, truth: Unknowns) -> dict[str, tuple[_F, float]]:
    """Draws and truth of the step, and of how many steps further the right needle stands."""
    evidence = posterior.evidence
    true = Posterior(truth, gather(_ROW, ()), posterior.diagnostics, 0)
    found = []
    for each in (posterior, true):
        [now] = predict_settings(each, [evidence.position], evidence.conditions)
        found.append(steps_to_right(target_at(now, each), now, each))
    return {
        "step": (posterior.unknowns.needle_step[:, 0], float(truth.needle_step[0, 0])),
        "steps to right": (found[0], float(found[1][0])),
    }


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("batch", range(4))
def test_true_steps_rank_uniformly(recommender: Recommender, batch: int) -> None:
    """Simulation-based calibration (Talts et al. 2018, arXiv:1804.06788) of the step, and of the advice in steps.

    Randomised PIT, Kolmogorov and Smirnov's exact test, one in a thousand over both.
    """
    rng = np.random.default_rng([17, batch])
    shares: dict[str, list[float]] = {}
    for _ in range(_ENGINES):
        truth = draw_unknowns(_ROW, rng)
        log, _ = _campaign(truth, rng, 0.6)
        posterior = recommender.sampler.fit(gather(_ROW, log), recommender.seed)
        for name, (draws, true) in _ranked(posterior, truth).items():
            thin = draws[::8]
            shares.setdefault(name, []).append(float(((thin < true).sum() + rng.random()) / (len(thin) + 1)))
    p = {name: stats.kstest(u, "uniform").pvalue for name, u in shares.items()}
    assert min(p.values()) > 1e-3 / len(p), p


@pytest.mark.parametrize("z", [-1.7, 1.7])
def test_runs_with_several_needles_teach_the_step(recommender: Recommender, z: float) -> None:
    """Where steps are half or double the nominal ones, needles far apart tell so; the middle one alone does not."""
    rng = np.random.default_rng(5)
    truth = replace(draw_unknowns(_ROW, rng), needle_step=np.full((1, 1), z))
    engine, log = VirtualEngine(_ROW, truth, rng), list[Entry]()
    for needle in ("D", "A", "G", "B"):
        if needle != "D":
            log.append(ChangeNeedle(needle))
            engine.adjust(log[-1])  # type: ignore[arg-type]
        log += [engine.run(Air(288.15, 101_325.0)) for _ in range(2)]
    told = recommender.sampler.fit(gather(_ROW, log), recommender.seed).unknowns.needle_step
    low, high = np.quantile(told, (0.01, 0.99))
    assert low < z < high
    assert told.std() < 0.7
    assert np.sign(told.mean()) == np.sign(z)
    alone = recommender.sampler.fit(gather(_ROW, log[:2]), recommender.seed).unknowns.needle_step
    assert alone.mean() == pytest.approx(0.0, abs=0.15)
    assert alone.std() == pytest.approx(1.0, abs=0.1)


def _ln_density(made: Any, at: _F) -> float:
    """Ln density of the compiled model at a point."""
    density, slope = np.zeros(1), np.zeros_like(at)
    call = _DENSITY(made.compiled_logp_func.address)
    place = made.user_data.ctypes.data
    failed = call(len(at), ctypes.c_void_p(at.ctypes.data), slope.ctypes.data, density.ctypes.data, place)
    assert failed == 0
    return float(density[0])


def _moved(recommender: Recommender, evidence: Evidence, by: float) -> tuple[float, float]:
    """What moving the step alone does to ln density, and to that of a standard normal."""
    made = recommender.sampler._fed(evidence)
    at = 0.3 * np.random.default_rng(8).standard_normal(made.n_dim)
    there, i = at.copy(), _SCALARS.index("needle_step")
    there[i] += by
    return _ln_density(made, there) - _ln_density(made, at), 0.5 * (at[i] ** 2 - there[i] ** 2)


def test_the_step_is_a_standard_normal_beside_measured_needles(recommender: Recommender) -> None:
    """Their log density is what it is without the step, and the step's own beside it; by order it is bound up with the
    rest.
    """
    rng = np.random.default_rng(4)
    for installation, needle in ((Installation(NEEDLES, "taper 30.0"), "taper 31.8"), (_ROW, "G")):
        engine = VirtualEngine.draw(installation, 4)
        log: list[Entry] = [engine.run(Air(288.15, 101_325.0)), ChangeNeedle(needle)]
        engine.adjust(ChangeNeedle(needle))
        log.append(engine.run(Air(288.15, 101_325.0)))
        for by in rng.uniform(-2.0, 2.0, 3):
            moved, normal = _moved(recommender, gather(installation, log), by)
            assert (moved == pytest.approx(normal, abs=1e-9)) == (not installation.by_order)


def test_advice_is_in_steps(unlearned: Recommender) -> None:
    """No slope is told of needles that nobody measured: the misfit is in steps."""
    engine = VirtualEngine.draw(_ROW, 6)
    learned = unlearned.learn(_ROW, [engine.run(Air(288.15, 101_325.0)) for _ in range(3)])
    told = learned.confidence
    assert told.taper_misfit is None
    assert told.taper_steps is not None
    assert told.taper_steps.low_90 < told.taper_steps.median < told.taper_steps.high_90
