from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit

from model.information import Experiment, expected_information

_F = NDArray[np.float64]
_I = NDArray[np.int64]
_DRAWS = 30_000


def _check(experiment: Experiment, exact: float, rng: np.random.Generator) -> None:
    found = expected_information(experiment, rng, truths=5000, others=4000)
    assert found.mcse < 0.02
    assert found.nats == pytest.approx(exact, abs=max(3 * found.mcse, 0.002))


def _normal(y: _F, scale: float) -> Callable[[_I, _I, _F], _F]:
    def log_density(truths: _I, _others: _I, latents: _F) -> _F:
        return np.asarray(stats.norm.logpdf(y[truths][:, None, :], latents, scale).sum(axis=2))

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

    def log_density(truths: _I, others: _I, latents: _F) -> _F:
        p = np.broadcast_to((0.5 + latents[..., 0]) / 2, (len(truths), len(others)))
        return np.log(np.where(y[truths][:, None], p, 1 - p))

    _check(Experiment(theta, theta, log_density), 0.1258036691, rng)


@pytest.mark.parametrize(("x", "exact"), [(0.5, 0.32130), (1.0, 0.68767), (2.0, 1.07964)])
def test_censored(x: float, exact: float, rng: np.random.Generator) -> None:
    """Y = min(theta x + e, .5), noise sd .5, theta ~ N(0, 1) (quadrature, calculated)."""
    theta = rng.standard_normal((_DRAWS, 1))
    latents = x * theta
    y = np.minimum(latents[:, 0] + 0.5 * rng.standard_normal(_DRAWS), 0.5)

    def log_density(truths: _I, _others: _I, latents: _F) -> _F:
        seen, mean = y[truths][:, None], latents[..., 0]
        return np.where(seen >= 0.5, stats.norm.logsf(0.5, mean, 0.5), stats.norm.logpdf(seen, mean, 0.5))

    _check(Experiment(theta, latents, log_density), exact, rng)


@pytest.mark.parametrize(("x", "exact"), [(0.5, 0.036643), (1.5, 0.222982), (3.0, 0.444442)])
def test_ordinal(x: float, exact: float, rng: np.random.Generator) -> None:
    """Ordinal logit with cuts (−1, 0, 1), theta ~ N(0, 1) (quadrature, calculated)."""
    theta = rng.standard_normal((_DRAWS, 1))
    latents = x * theta
    edges = np.array([-np.inf, -1.0, 0.0, 1.0, np.inf])
    y = np.searchsorted(edges[1:-1], latents[:, 0] + rng.logistic(size=_DRAWS))

    def log_density(truths: _I, _others: _I, latents: _F) -> _F:
        low, high = edges[y[truths]][:, None], edges[y[truths] + 1][:, None]
        return np.log(expit(high - latents[..., 0]) - expit(low - latents[..., 0]))

    _check(Experiment(theta, latents, log_density), exact, rng)


def test_nuisance_integrated_out(rng: np.random.Generator) -> None:
    """With y = theta + nuisance + noise only ½ log(3/2) nats are about theta (closed form)."""
    theta, nuisance = rng.standard_normal((2, _DRAWS, 1))
    latents = theta + nuisance
    y = latents + rng.standard_normal(latents.shape)
    _check(Experiment(theta, latents, _normal(y, 1.0)), 0.5 * np.log(3.0 / 2.0), rng)


def test_nothing_to_learn(rng: np.random.Generator) -> None:
    """A reading that does not depend on theta teaches nothing."""
    theta = rng.standard_normal((_DRAWS, 2))
    latents = rng.standard_normal((_DRAWS, 1))
    y = latents + rng.standard_normal(latents.shape)
    _check(Experiment(theta, latents, _normal(y, 1.0)), 0.0, rng)


def test_no_bias_at_the_size_the_service_uses(rng: np.random.Generator) -> None:
    """Averaged over 60 repeats at the default size, the estimate is off by less than 0.03 nats."""
    errors = []
    for _ in range(60):
        theta, nuisance = rng.standard_normal((2, 4000, 1))
        latents = 2.0 * theta + nuisance
        y = latents + 0.5 * rng.standard_normal(latents.shape)
        found = expected_information(Experiment(theta, latents, _normal(y, 0.5)), rng)
        errors.append(found.nats - 0.5 * np.log(5.25 / 1.25))
    assert abs(np.mean(errors)) < 0.03
