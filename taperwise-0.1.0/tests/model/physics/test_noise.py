from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.special import expit

from taperwise.model.physics import noise


def _mixture(of: Callable[..., float], x: float, scale: float) -> float:
    """A function of a logistic, mixed over both widths."""
    share, width = noise.MISREAD_SHARE, noise.MISREAD_WIDTH
    return float((1 - share) * of(x, scale=scale) + share * of(x, scale=width * scale))


@given(st.floats(-60, 60), st.floats(-30, 30), st.floats(0.2, 8.0))
def test_densities_and_censored_probabilities(x: float, centre: float, scale: float) -> None:
    """Density and probabilities below and above a limit are scipy's for two logistics, far in the tails as well."""
    density, below, above = (
        _mixture(of, x - centre, scale) for of in (stats.logistic.pdf, stats.logistic.cdf, stats.logistic.sf)
    )
    assert np.exp(noise.log_density(x, centre, scale)) == pytest.approx(density, rel=1e-9)
    assert np.exp(noise.log_below(x, centre, scale)) == pytest.approx(below, rel=1e-9)
    assert np.exp(noise.log_above(x, centre, scale)) == pytest.approx(above, rel=1e-9)


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
