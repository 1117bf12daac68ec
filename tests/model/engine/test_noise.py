import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.special import expit

from model.engine import noise


def _density(x: float, scale: float = 1.0) -> float:
    """The mixture of two logistics from scipy's own."""
    share, width = noise.MISREAD_SHARE, noise.MISREAD_WIDTH
    good = stats.logistic.pdf(x, scale=scale)
    return float((1 - share) * good + share * stats.logistic.pdf(x, scale=width * scale))


@given(st.floats(-60, 60), st.floats(0.2, 8.0))
def test_density(x: float, scale: float) -> None:
    """The density is scipy's mixture of two logistics."""
    assert np.exp(noise.log_density(x, 0.0, scale)) == pytest.approx(_density(x, scale), rel=1e-9)


def _integral(low: float, high: float, centre: float, scale: float) -> float:
    """Integral of our own density, split where it is sharp (scipy)."""
    edges = [low, *sorted(x for x in (centre - 9 * scale, centre, centre + 9 * scale) if low < x < high), high]
    parts = [
        quad(lambda x: np.exp(noise.log_density(x, centre, scale)), a, b, epsabs=1e-13, epsrel=1e-10)[0]
        for a, b in itertools.pairwise(edges)
    ]
    return float(sum(parts))


@given(st.floats(-30, 30), st.floats(0.3, 8.0))
def test_density_integrates_to_one(centre: float, scale: float) -> None:
    """All readings together have probability one."""
    assert _integral(-np.inf, np.inf, centre, scale) == pytest.approx(1.0, abs=1e-8)


@given(st.floats(-30, 30), st.floats(-30, 30), st.floats(0.3, 8.0))
def test_censored_probabilities(limit: float, centre: float, scale: float) -> None:
    """Below and above a limit are the density's integrals, far in the tails as well."""
    below, above = (_integral(*ends, centre, scale) for ends in ((-np.inf, limit), (limit, np.inf)))
    assert np.exp(noise.log_below(limit, centre, scale)) == pytest.approx(below, rel=1e-6)
    assert np.exp(noise.log_above(limit, centre, scale)) == pytest.approx(above, rel=1e-6)


@given(st.floats(-0.5, 0.5), st.floats(0.005, 0.1), st.lists(st.floats(0.02, 0.3), min_size=3, max_size=3))
def test_levels(ln_mixture: float, blur: float, gaps: list[float]) -> None:
    """The five judgements follow a scipy logistic between the cuts and sum to one."""
    cuts = np.cumsum([-0.1, *gaps])
    up_to = np.r_[0.0, expit((cuts - ln_mixture) / blur), 1.0]
    lower, upper = np.r_[-9.0, cuts], np.r_[cuts, 9.0]
    ours = np.exp([noise.log_level(k + 1, ln_mixture, lower[k], upper[k], blur) for k in range(5)])
    assert ours == pytest.approx(np.diff(up_to), abs=1e-9)
    assert ours.sum() == pytest.approx(1.0)


def test_draws(rng: np.random.Generator) -> None:
    """Draws follow the mixture of two scipy logistics (Kolmogorov-Smirnov at 1 in 1,000)."""
    drawn = noise.draw(np.full(20_000, 7.0), np.full(20_000, 2.5), rng)

    def cdf(x: np.ndarray) -> np.ndarray:
        good, misread = (stats.logistic.cdf(x, 7.0, width * 2.5) for width in (1.0, noise.MISREAD_WIDTH))
        return np.asarray((1 - noise.MISREAD_SHARE) * good + noise.MISREAD_SHARE * misread)

    assert stats.kstest(drawn, cdf).pvalue > 1e-3
