import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.special import expit

from model import noise


def _density(x: float, scale: float = 1.0) -> float:
    """The mixture of two logistics from scipy's own."""
    share, width = noise.MISREAD_SHARE, noise.MISREAD_WIDTH
    good = stats.logistic.pdf(x, scale=scale)
    return float((1 - share) * good + share * stats.logistic.pdf(x, scale=width * scale))


@given(st.floats(-60, 60), st.floats(0.2, 8.0))
def test_density(x: float, scale: float) -> None:
    """The density is scipy's mixture of two logistics."""
    assert np.exp(noise.log_density(x, 0.0, scale)) == pytest.approx(_density(x, scale), rel=1e-9)


@pytest.mark.parametrize("limit", [-12.0, -1.0, 0.0, 2.5, 20.0])
def test_censored_probabilities(limit: float) -> None:
    """Below and above a limit are the density's integrals, and sum to one."""
    below, _ = quad(_density, -np.inf, limit)
    assert np.exp(noise.log_below(limit, 0.0, 1.0)) == pytest.approx(below, rel=1e-6)
    assert np.exp(noise.log_above(limit, 0.0, 1.0)) == pytest.approx(1 - below, rel=1e-5)


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
    """Draws follow the density (Kolmogorov-Smirnov at 1 in 1,000)."""
    drawn = noise.draw(np.zeros(20_000), np.ones(20_000), rng)
    cdf = np.vectorize(lambda x: np.exp(noise.log_below(x, 0.0, 1.0)))
    assert stats.kstest(drawn, cdf).pvalue > 1e-3
