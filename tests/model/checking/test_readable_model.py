"""The readable model is the compiled one: densities at many points, what it foretells, and its posteriors."""

from typing import Any

import arviz_stats
import numpy as np
import pymc as pm
import pytest
from scipy import stats

from taperwise.model.checking.draws import of_each_reading, of_each_run, prior_unknowns, read_again
from taperwise.model.checking.observed import in_run_order
from taperwise.model.checking.readable_model import readable_model
from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.engine_prior import POOLED, prior_from
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.tuned import tuned
from taperwise.shared.records import (
    ChangeNeedle,
    ChangePart,
    Engine,
    Entry,
    Installation,
    Part,
    TurnIdleStop,
    TurnScrew,
)
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run, Sureness
from tests.conftest import NEEDLES
from tests.model.checking.both_models import Compiled, ln_standard, ln_volume, readable_density, readable_point

_AIR = Air(293.15, 99_300.0, 0.5)


def _plain() -> Evidence:
    """Six runs with all instruments that the rule of thumb made, needles changed."""
    installation = Installation(NEEDLES, "taper 30.0")
    return gather(installation, tuned(installation, 6, 3, instruments=True)[0])


def _censored() -> Evidence:
    """Every way to read nothing, a trace, guesses, probes in some cylinders, and a part changed."""
    log: list[Entry] = [
        Run(_AIR, rise=ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, 210.0), idle_quality=IdleQuality.RICH_LOADING_UP),
        TurnScrew(-0.25),
        Run(_AIR, rise=ExhaustRise(RiseSeen.FELL_AT_ONCE), idle_rpm_rise=0.0, static_rpm=2_800.0, power_rpm_rise=0.0),
        ChangePart(Part.AIR_FILTER),
        Run(
            _AIR, rise=ExhaustRise(RiseSeen.PEAK, 55.0, 3.0, 2, 12.0), idle_quality=IdleQuality.LEAN_STUMBLING,
            sureness=Sureness.GUESS,
        ),
        TurnIdleStop(0.25),
        Run(_AIR, idle_rpm=810.0, idle_quality=IdleQuality.SMOOTH, sureness=Sureness.UNSURE, fuel_head_m=0.4),
    ]  # fmt: skip
    return gather(Installation(NEEDLES, "taper 30.0", engine=Engine(egt_probes=2)), log)


def _pooled() -> Evidence:
    """A prior that other engines moved, and more changes than are held apart."""
    size = len(POOLED)
    prior = prior_from(np.linspace(-0.5, 0.5, size), 0.3 * np.eye(size) + 0.1, 0.1)
    log: list[Entry] = []
    for i, needle in enumerate(
        ("taper 29.4", "taper 30.6", "taper 29.4", "taper 31.2", "taper 30.0", "taper 30.6") * 2
    ):
        log += [Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 50.0 + 5.0 * i)), ChangeNeedle(needle)]
    log.append(Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 61.0), idle_rpm_rise=30.0))
    return gather(Installation(NEEDLES, "taper 30.0"), log, prior)


_LOGS = {"plain": _plain, "censored": _censored, "pooled": _pooled}
_POINTS = 70  # of each log: more than two hundred in all


@pytest.mark.parametrize("log", _LOGS)
def test_both_models_have_one_density(recommender: Recommender, log: str) -> None:
    """Brought to the same coordinates, the ln densities differ by one constant over points that differ by a hundred."""
    evidence = _LOGS[log]()
    compiled, model = Compiled(recommender.sampler, evidence), readable_model(evidence)
    density, rng = readable_density(model), np.random.default_rng(1)

    def to(x: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
        point, unused = readable_point(model, compiled.unknowns(x), evidence)
        return np.concatenate([*(np.ravel(value) for value in point.values()), unused])

    found = []
    for _ in range(_POINTS):
        x = compiled.start + 1.5 * rng.standard_normal(len(compiled.start))
        point, unused = readable_point(model, compiled.unknowns(x), evidence)
        found.append((compiled.ln_density(x), density(point) + ln_standard(unused) + ln_volume(to, x)))
    theirs, ours = np.array(found).T
    assert np.ptp(theirs) > 50.0
    assert ours - theirs == pytest.approx(np.mean(ours - theirs), abs=1e-6)


@pytest.mark.parametrize("log", _LOGS)
def test_it_foretells_what_numpy_draws(log: str) -> None:
    """Readings that PyMC draws from the prior are scattered as those drawn in numpy, kind by kind and run by run."""
    evidence = in_run_order(_LOGS[log]())
    with readable_model(evidence):
        drawn = pm.sample_prior_predictive(1_500, random_seed=2, compile_kwargs={"mode": "FAST_COMPILE"})
    rng = np.random.default_rng(3)
    u = prior_unknowns(evidence, 1_500, rng)
    theirs = read_again(u, evidence, rng)
    seen = drawn["prior_predictive"]
    assert set(seen.data_vars) == set(theirs)
    compared = 0
    for name, values in theirs.items():
        assert seen[name].dims == ("chain", "draw", f"run_{name}")
        for run in range(values.shape[1]):
            assert stats.ks_2samp(seen[name].values[0, :, run], values[:, run]).pvalue > 1e-4, (name, run)
            compared += 1
    assert compared >= 6


@pytest.mark.parametrize("log", _LOGS)
def test_its_parts_are_named(log: str) -> None:
    """Every unknown of the forward model, and no packed array; runs go by their numbers in the log."""
    evidence = _LOGS[log]()
    model = readable_model(evidence)
    named = {v.name for v in (*model.free_RVs, *model.deterministics)}
    assert set(Unknowns.names()) - named <= {"first", "second"}
    assert list(model.coords["run"]) == sorted(evidence.run_numbers)
    assert {v.name for v in model.observed_RVs} == set(
        of_each_reading(prior_unknowns(evidence, 2, np.random.default_rng(1)), evidence)
    )
    assert model.named_vars_to_dims["mixture_full"] == ("run", "cylinder")
    if log == "censored":
        assert model.coords["change"] == ("1 part:air_filter",)
        assert model.named_vars_to_dims["change_full"] == ("change",)
        assert list(model.coords["run_rise_read"]) == [1, 2, 3]
    if log == "plain":
        assert model.coords["needle"][0] == "0 taper 30.0"


@pytest.mark.thorough
@pytest.mark.slow
@pytest.mark.parametrize("by", ["nutpie", "pymc"])
@pytest.mark.parametrize("log", _LOGS)
def test_both_models_have_one_posterior(recommender: Recommender, log: str, by: str) -> None:
    """Means within five Monte Carlo errors; PyMC's own log likelihoods are those of numpy, and loo takes them."""
    evidence = in_run_order(_LOGS[log]())
    fitted = recommender.sampler.fit(evidence, 1)
    assert fitted.diagnostics.converged
    with readable_model(evidence) as model:
        drawn = pm.sample(
            1_000, tune=1_000, chains=4, cores=2, nuts_sampler=by, random_seed=4, progressbar=False, target_accept=0.9
        )
        pm.compute_log_likelihood(drawn, progressbar=False)
    assert model.observed_RVs
    compared = 0
    for name in Unknowns.names():
        if name not in drawn["posterior"]:
            continue
        ours, theirs = drawn["posterior"][name], getattr(fitted.unknowns, name)[:, 0]
        error = np.hypot(float(arviz_stats.mcse(ours)), theirs.std() / np.sqrt(fitted.diagnostics.ess_bulk_min))
        assert float(ours.mean()) == pytest.approx(theirs.mean(), abs=5 * error), name
        assert float(ours.std()) == pytest.approx(theirs.std(), rel=0.2), name
        compared += 1
    assert compared >= 28
    each = of_each_reading(fitted.unknowns, evidence)
    for name, values in each.items():
        assert drawn["log_likelihood"][name].mean(("chain", "draw")).values == pytest.approx(
            values.mean(axis=0), abs=0.2
        )
    found = arviz_stats.loo(drawn, var_name="rise_read")
    assert np.isfinite(found.elpd)
    assert of_each_run(each, evidence).shape == (4_000, len(evidence.run_numbers))
