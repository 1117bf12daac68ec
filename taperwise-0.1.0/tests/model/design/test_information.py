import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit

from taperwise.model.design import ground_run
from taperwise.model.design.information import Experiment, expected_information
from taperwise.model.inference.likelihood import log_likelihood
from taperwise.model.inference.readings import Readings
from taperwise.model.physics.air import Conditions
from taperwise.model.physics.mixture import Ends, Unknowns
from taperwise.model.physics.priors import ROUGH_RISE_KELVIN
from taperwise.model.prediction import predictive
from taperwise.model.prediction.setting_draws import predict_settings, target_at
from taperwise.model.recommender import Recommender
from taperwise.shared.meters import meters
from taperwise.shared.records import Installation
from taperwise.shared.runs import OBSERVATIONS, Air, ExhaustRise, IdleQuality, RiseSeen, Run

_F = NDArray[np.float64]
_I = NDArray[np.int64]
_DRAWS = 30_000


def _check(experiment: Experiment, exact: float, rng: np.random.Generator) -> None:
    """Within three of its own stated errors, and that error small."""
    found = expected_information(experiment, rng, truths=4000, others=1500)
    assert found.mcse < 0.02
    assert abs(found.nats - exact) < 3 * found.mcse


def _normal(y: _F, scale: float) -> Callable[[_I, _F], _F]:
    """Log density of readings y, (draws, q), around latents, (q, m, n)."""

    def log_density(truths: _I, latents: _F) -> _F:
        far = (y[truths].T[:, :, None] - latents) / scale
        return np.asarray(-0.5 * (far**2).sum(axis=0) - len(latents) * np.log(scale * np.sqrt(2 * np.pi)))

    return log_density


def test_linear_gaussian(rng: np.random.Generator) -> None:
    """Design [[1,0],[0,1],[0,1]], prior sd (1, 1.5), unit noise: 1.1989476 nats.

    Closed form ½ log det(I + X Σ Xᵀ); also in a probabilistic-programming library's own tests (read, calculated).
    """
    theta = rng.standard_normal((_DRAWS, 2)) * [1.0, 1.5]
    latents = theta @ np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 1.0]]).T
    y = latents + rng.standard_normal(latents.shape)
    _check(Experiment(theta, latents, _normal(y, 1.0)), 1.1989476, rng)


def test_bernoulli(rng: np.random.Generator) -> None:
    """Theta ~ Bern(.4), y ~ Bern((.5 + theta)/2): 0.1258036691 nats (exact; also in such a library's tests)."""
    theta = (rng.random((_DRAWS, 1)) < 0.4).astype(float)
    y = rng.random(_DRAWS) < (0.5 + theta[:, 0]) / 2

    def log_density(truths: _I, latents: _F) -> _F:
        p = (0.5 + latents[0]) / 2
        return np.log(np.where(y[truths][:, None], p, 1 - p))

    _check(Experiment(theta, theta, log_density), 0.1258036691, rng)


@pytest.mark.parametrize(("x", "exact"), [(0.5, 0.32130), (1.0, 0.68767), (2.0, 1.07964)])
def test_censored(x: float, exact: float, rng: np.random.Generator) -> None:
    """Y = min(theta x + e, .5), noise sd .5, theta ~ N(0, 1) (quadrature, calculated)."""
    theta = rng.standard_normal((_DRAWS, 1))
    latents = x * theta
    y = np.minimum(latents[:, 0] + 0.5 * rng.standard_normal(_DRAWS), 0.5)

    def log_density(truths: _I, latents: _F) -> _F:
        seen, mean = y[truths][:, None], latents[0]
        return np.where(seen >= 0.5, stats.norm.logsf(0.5, mean, 0.5), stats.norm.logpdf(seen, mean, 0.5))

    _check(Experiment(theta, latents, log_density), exact, rng)


@pytest.mark.parametrize(("x", "exact"), [(0.5, 0.036643), (1.5, 0.222982), (3.0, 0.444442)])
def test_ordinal(x: float, exact: float, rng: np.random.Generator) -> None:
    """Ordinal logit with cuts (−1, 0, 1), theta ~ N(0, 1) (quadrature, calculated)."""
    theta = rng.standard_normal((_DRAWS, 1))
    latents = x * theta
    edges = np.array([-np.inf, -1.0, 0.0, 1.0, np.inf])
    y = np.searchsorted(edges[1:-1], latents[:, 0] + rng.logistic(size=_DRAWS))

    def log_density(truths: _I, latents: _F) -> _F:
        low, high = edges[y[truths]][:, None], edges[y[truths] + 1][:, None]
        return np.log(expit(high - latents[0]) - expit(low - latents[0]))

    _check(Experiment(theta, latents, log_density), exact, rng)


def test_nuisance_integrated_out(rng: np.random.Generator) -> None:
    """With y = theta + nuisance + noise only ½ log(3/2) nats are about theta (½ log of a ratio of determinants)."""
    theta, nuisance = rng.standard_normal((2, _DRAWS, 1))
    latents = theta + nuisance
    y = latents + rng.standard_normal(latents.shape)
    _check(Experiment(theta, latents, _normal(y, 1.0)), 0.5 * np.log(3.0 / 2.0), rng)


def test_nuisance_that_goes_with_theta(rng: np.random.Generator) -> None:
    """A nuisance correlated with theta is integrated out given theta: y = theta − nuisance + noise, correlation .8.

    Closed form: Var(y) = 1 + 1 − 1.6 + .25, Var(y | theta) = 1 − .64 + .25.
    """
    theta, own = rng.standard_normal((2, _DRAWS, 1))
    nuisance = 0.8 * theta + 0.6 * own
    y = theta - nuisance + 0.5 * rng.standard_normal(theta.shape)

    def log_density(truths: _I, latents: _F) -> _F:
        return np.asarray(stats.norm.logpdf(y[truths], latents[0] - latents[1], 0.5))

    _check(Experiment(theta, np.hstack([theta, nuisance]), log_density), 0.5 * np.log(0.65 / 0.61), rng)


def test_nothing_to_learn(rng: np.random.Generator) -> None:
    """A reading that does not depend on theta teaches nothing."""
    theta = rng.standard_normal((_DRAWS, 2))
    latents = rng.standard_normal((_DRAWS, 1))
    y = latents + rng.standard_normal(latents.shape)
    _check(Experiment(theta, latents, _normal(y, 1.0)), 0.0, rng)


@pytest.mark.parametrize(
    ("gain", "noise", "correlation", "most"),
    # `most` is how far off a mean over 40 repeats may be by chance alone [nats]
    [(0.0, 0.5, 0.0, 0.01), (0.0, 0.2, 0.0, 0.05), (0.3, 0.3, 0.95, 0.03), (1.0, 0.5, 0.0, 0.04)],
    ids=["nothing to learn", "nothing to learn, sharp", "little, correlated", "much"],
)
def test_no_bias_at_the_size_the_service_uses(gain: float, noise: float, correlation: float, most: float) -> None:
    """Over 40 repeats at the default size the mean is right within three of its standard errors.

    Two readings of gain × theta + nuisance + noise, theta and nuisances standard normal: a closed form. A mixture
    given theta of fewer effective draws than the one without would come out far too low where little is to learn.
    """
    prior = np.array([[1.0, correlation], [correlation, 1.0]])
    blur = (1.0 + noise**2) * np.eye(2)
    exact = 0.5 * np.log(np.linalg.det(gain**2 * prior + blur) / np.linalg.det(blur))
    errors = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        theta = rng.standard_normal((4000, 2)) @ np.linalg.cholesky(prior).T
        latents = gain * theta + rng.standard_normal((4000, 2))
        y = latents + noise * rng.standard_normal((4000, 2))
        errors.append(expected_information(Experiment(theta, latents, _normal(y, noise)), rng).nats - exact)
    standard_error = np.std(errors, ddof=1) / np.sqrt(40)
    assert 3 * standard_error < most
    assert abs(np.mean(errors)) < 3 * standard_error


def test_the_stated_error_is_honest() -> None:
    """Over 60 repeats at the default size, estimates scatter about as much as their stated error says."""
    found = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        theta, nuisance = rng.standard_normal((2, 4000, 1))
        latents = theta + nuisance
        y = latents + 0.5 * rng.standard_normal(latents.shape)
        found.append(expected_information(Experiment(theta, latents, _normal(y, 0.5)), rng))
    scatter = np.std([i.nats for i in found], ddof=1)
    # of the truths alone the mean would scatter by the gain's own standard deviation, 0.67 nats, over √256
    assert scatter < 0.03
    assert 0.7 < scatter / np.mean([i.mcse for i in found]) < 1.4


@pytest.mark.parametrize("channel", [name for name in OBSERVATIONS if name != "idle_rpm"])
def test_readings_look_at_what_they_are_said_to(channel: str, rng: np.random.Generator) -> None:
    """A density fed with the latents named for its kind is that fed with all of them."""
    channels, fields = frozenset({channel}), ground_run.Latents._fields
    latents = rng.normal(0.0, 0.5, (len(fields), 1, 40)) + 0.1
    seen = rng.uniform(1.0, 80.0, 8)
    drawn = predictive.Outcomes(seen - 20.0, rng.integers(1, 6, 8) * 1.0, seen, seen, seen, seen, seen[:, None])
    names = ground_run.looked_at(channels)
    assert 0 < len(names) < len(fields)
    needed = np.stack([latents[fields.index(name)] for name in names])
    whole, narrow = (
        ground_run.log_density_of(drawn, channels, Conditions(0.05), which)(np.arange(8), given)
        for which, given in ((fields, latents), (names, needed))
    )
    np.testing.assert_array_equal(whole, narrow)


def test_a_run_as_an_experiment_is_the_likelihood(recorded: Recommender, installation: Installation) -> None:
    """Every draw's readings have the density the sampler's likelihood gives them, channel by channel: together they
    share the run's own mixture, which the experiment leaves out.
    """
    air = Air(288.15, 101_325.0)
    log = [Run(air, ExhaustRise(RiseSeen.PEAK, 20.0), IdleQuality.SLIGHTLY_RICH, 30.0, 2780.0, 800.0)]
    fitted = recorded.fit(installation, log)
    few = {name: getattr(fitted.unknowns, name)[::2] for name in Unknowns.names()}
    posterior = dataclasses.replace(fitted, unknowns=Unknowns(**few))
    here = predict_settings(posterior, [posterior.evidence.position], posterior.evidence.conditions)[0]
    n = len(here.full)
    drawn = predictive.draw_outcomes(here, posterior, np.random.default_rng([posterior.seed, 3]))
    fell, rough = drawn.rise < 0, drawn.rise > ROUGH_RISE_KELVIN
    assert fell.any()
    none = drawn.idle_rise <= 0
    one = np.ones(n)
    readings = Readings(
        rise=np.where(rough, ROUGH_RISE_KELVIN, drawn.rise), rise_share=one, rise_error=0 * one,
        has_rise=(~fell & ~rough) * one, fell=fell * one, rough=rough * one, level=drawn.level, has_level=one,
        idle_rise=drawn.idle_rise, has_idle_rise=~none * one, no_idle_rise=none * one,
        static_rpm=drawn.static_rpm, has_static=one, idle_rpm=one, has_idle_rpm=0 * one,
        spread=0 * one, has_spread=0 * one, widening=one,
        power_rise=drawn.power_rise, has_power_rise=(drawn.power_rise > 0) * one,
        no_power_rise=(drawn.power_rise <= 0) * one,
        ln_meters=tuple(drawn.ln_meters.T), has_meters=tuple(one for _ in meters()),
    )  # fmt: skip
    settings = posterior.evidence.settings
    ends = Ends(here.full[:, None], here.idle[:, None], np.full((n, 1), here.opening))
    masks = {
        "rise": ("has_rise", "fell", "rough"), "idle_quality": ("has_level",),
        "idle_rpm_rise": ("has_idle_rise", "no_idle_rise"), "static_rpm": ("has_static",),
        "power_rpm_rise": ("has_power_rise", "no_power_rise"),
    }  # fmt: skip
    every = [name for names in masks.values() for name in names]
    for channel in [*(name for name in OBSERVATIONS if name != "idle_rpm"), *(meter.name for meter in meters())]:
        others = {name: 0.0 * one for name in every if name not in masks.get(channel, ())}
        metered = tuple((meter.name == channel) * one for meter in meters())
        alone = dataclasses.replace(readings, **others, has_meters=metered)
        theirs = np.diag(log_likelihood(alone, posterior.unknowns, ends, settings, posterior.evidence.scales))
        experiment = ground_run.ground_run(here, posterior, target_at(here, posterior), frozenset({channel}))
        ours = experiment.log_density(np.arange(n), experiment.latents.T[:, :, None])[:, 0]
        assert ours == pytest.approx(theirs, abs=1e-8), channel
