"""What a censored rise says, from scipy's logistic; the numbers of the noise are written out."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from taperwise.model.inference.dataset import gather
from taperwise.model.inference.likelihood import log_likelihood
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.exhaust import rise
from taperwise.model.physics.mixture import Unknowns, mixtures
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, RiseSeen, Run

_AIR = Air(288.15, 101_325.0)
_F = NDArray[np.float64]


def _engines(installation: Installation, rng: np.random.Generator) -> Unknowns:
    return draw_unknowns(installation, rng, draws=300)


def _of(installation: Installation, u: Unknowns, seen: ExhaustRise) -> tuple[_F, _F]:
    """Log likelihood of one run with that rise, and the true rise, draw by draw."""
    evidence = gather(installation, [Run(_AIR, rise=seen)])
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    found = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)
    return found[:, 0], np.broadcast_to(rise(ends.full, u.exhaust_scale, u.exhaust_width), found.shape)[:, 0]


def _below(z: _F) -> _F:
    """Probability that a reading is below, `z` scales from the middle: one reading in ten scatters thrice as widely."""
    return np.asarray(0.9 * stats.logistic.cdf(z) + 0.1 * stats.logistic.cdf(z / 3.0))


def test_fell_at_once_is_a_rise_below_nought(installation: Installation, rng: np.random.Generator) -> None:
    """The whole tail below counts, so an engine lean of peak explains it better the leaner it is."""
    u = _engines(installation, rng)
    found, truth = _of(installation, u, ExhaustRise(RiseSeen.FELL_AT_ONCE))
    np.testing.assert_allclose(found, np.log(_below(-truth / u.rise_noise[:, 0])), rtol=1e-6, atol=1e-9)
    assert found[truth < -50.0].min() > found[truth > 50.0].max()


@pytest.mark.parametrize("kelvin", [60.0, 150.0])
def test_rough_before_the_peak_is_a_rise_above(
    installation: Installation, rng: np.random.Generator, kelvin: float
) -> None:
    """The whole tail above what was reached counts, so a richer engine explains it better."""
    u = _engines(installation, rng)
    found, truth = _of(installation, u, ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, kelvin))
    np.testing.assert_allclose(found, np.log(_below((truth - kelvin) / u.rise_noise[:, 0])), rtol=1e-6, atol=1e-9)
    assert found[truth > kelvin + 50.0].min() > found[truth < kelvin - 50.0].max()


def test_a_peak_is_a_density(installation: Installation, rng: np.random.Generator) -> None:
    """A rise that was read counts as the density there, and neither side is favoured."""
    u = _engines(installation, rng)
    found, truth = _of(installation, u, ExhaustRise(RiseSeen.PEAK, 60.0))
    scale = u.rise_noise[:, 0]
    density = 0.9 * stats.logistic.pdf(60.0, truth, scale) + 0.1 * stats.logistic.pdf(60.0, truth, 3.0 * scale)
    np.testing.assert_allclose(found, np.log(density), rtol=1e-6, atol=1e-9)
