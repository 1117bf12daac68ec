"""Draws of several posteriors taken together, against normal densities that are known exactly."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats

from taperwise.model.diagnosis.fault_detection import _ln_mean, _ln_weights

_F = NDArray[np.float64]

# A mean with a normal prior, read three times with normal errors; each reading is higher than those before foretold.
_PRIOR_SD, _ERROR = 1.0, 0.5
_READINGS = (2.2, 4.0, 4.5)
_COUNTS = np.array([700, 500, 700])


def _after(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the posterior after n readings (conjugate normal; Gelman et al., Bayesian Data
    Analysis, 3rd edition, section 2.5; from memory).
    """
    precision = _PRIOR_SD**-2 + n * _ERROR**-2
    return sum(_READINGS[:n]) * _ERROR**-2 / precision, precision**-0.5


def _draws(seed: int) -> _F:
    """Of the posteriors after none, one and two readings, one after the other."""
    rng = np.random.default_rng(seed)
    return np.concatenate([rng.normal(*_after(n), count) for n, count in enumerate(_COUNTS)])


def _ln_likelihood(draws: _F, readings: tuple[float, ...]) -> _F:
    return np.asarray(stats.norm.logpdf(np.array(readings), draws[:, None], _ERROR).sum(axis=1))


def _so_far(draws: _F) -> _F:
    return np.stack([_ln_likelihood(draws, _READINGS[:n]) for n in range(len(_COUNTS))])


def _exact(begun: int, until: int) -> float:
    """Ln of the density of some readings, foretold after those before them, by quadrature."""
    mean, sd = _after(begun)

    def integrand(x: float) -> float:
        return float(stats.norm.pdf(x, mean, sd) * np.exp(_ln_likelihood(np.array([x]), _READINGS[begun:until]))[0])

    found, error = integrate.quad(integrand, -5.0, 8.0, points=[0.0, 1.0, 2.0, 3.0, 4.0], epsabs=1e-14)
    assert error < 1e-6 * found
    return float(np.log(found))


def test_quadrature_and_the_closed_form_agree() -> None:
    """The density of one reading is normal, its variances summed; what the rest is held against is right."""
    mean, sd = _after(1)
    assert _exact(1, 2) == pytest.approx(stats.norm.logpdf(_READINGS[1], mean, np.hypot(sd, _ERROR)), abs=1e-9)


def test_the_constants_are_those_of_the_closed_form() -> None:
    """Ln of each posterior's constant over the first one's is the density of the readings between them; over forty
    seeds the mean is within four of its standard errors, and none is off by more than 0.6 (an error of 0.14 in one).
    """
    exact = [0.0, _exact(0, 1), _exact(0, 2)]
    found = []
    for seed in range(40):
        so_far = _so_far(_draws(seed))
        ln_weights = _ln_weights(so_far, _COUNTS)
        apart = so_far - ln_weights  # constant and mixture; the mixture is the same for all
        assert np.ptp(apart - apart[0], axis=1) == pytest.approx(0.0, abs=1e-9)
        found.append((apart - apart[0]).mean(axis=1))
    errors = np.array(found) - exact
    assert np.abs(errors.mean(axis=0) / np.maximum(errors.std(axis=0) / np.sqrt(40), 1e-9)).max() < 4.0
    assert np.abs(errors).max() < 0.6


def test_weighed_draws_stand_for_each_posterior() -> None:
    """Weights have mean 1, and with them the draws of all have each posterior's own mean and standard deviation."""
    draws = _draws(1)
    for n, ln_weights in enumerate(_ln_weights(_so_far(draws), _COUNTS)):
        weights = np.exp(ln_weights)
        mean, sd = _after(n)
        assert weights.mean() == pytest.approx(1.0, abs=1e-4)
        ours = np.average(draws, weights=weights)
        assert ours == pytest.approx(mean, abs=0.15 * sd)
        assert np.sqrt(np.average((draws - ours) ** 2, weights=weights)) == pytest.approx(sd, rel=0.1)


def test_runs_that_surprise_are_foretold_as_they_should_be() -> None:
    """All three readings foretold before the first, which lie 2 to 4 of its standard deviations out.

    With all draws, ln of the density is within 0.6 of quadrature for every one of forty seeds, and within 0.1 in the
    mean; the plain mean over the draws of the first posterior is 0.7 too low in the mean, and 3 at the worst: hardly a
    draw lies where the readings are, and what was foretold looks like a fault.
    """
    exact = _exact(0, 3)
    pooled, plain = [], []
    for seed in range(40):
        draws = _draws(seed)
        ln_all = _ln_likelihood(draws, _READINGS)
        pooled.append(_ln_mean(_ln_weights(_so_far(draws), _COUNTS)[0] + ln_all) - exact)
        plain.append(_ln_mean(ln_all[: _COUNTS[0]]) - exact)
    assert np.abs(pooled).max() < 0.6
    assert abs(np.mean(pooled)) < 0.1
    assert np.mean(plain) < -0.7
    assert np.min(plain) < -3.0


def test_one_posterior_alone_stands_for_itself() -> None:
    """Nothing to be weighed: every weight is 1."""
    np.testing.assert_allclose(_ln_weights(np.zeros((1, 50)), np.array([50])), 0.0, atol=1e-12)
