"""What a censored rise says, from scipy's logistic; the numbers of the noise are written out."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from taperwise.model.inference.dataset import gather
from taperwise.model.inference.likelihood import log_likelihood
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.exhaust import rise
from taperwise.model.physics.mixture import Unknowns, idle_cutpoints, mixtures
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_AIR = Air(288.15, 101_325.0)
_F = NDArray[np.float64]


def _engines(installation: Installation, rng: np.random.Generator) -> Unknowns:
    return draw_unknowns(installation, rng, draws=300)


def _of(installation: Installation, u: Unknowns, seen: ExhaustRise) -> tuple[_F, _F, _F]:
    """Log likelihood of one run with that rise, the rise as this gauge shows it, and its scale, draw by draw."""
    evidence = gather(installation, [Run(_AIR, rise=seen)])
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    found = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)
    shown, one_richer = (rise(ends.full + x, u.exhaust_scale, u.exhaust_width) for x in (0.0, u.mixture_scatter))
    scale = np.hypot(u.rise_noise, np.sqrt(3.0) / np.pi * (one_richer - shown))
    return found[:, 0], (shown + 6.5 * u.gauge_bias)[:, 0], scale[:, 0]


def _below(z: _F) -> _F:
    """Probability that a reading is below, `z` scales from the middle: one reading in ten scatters thrice as widely."""
    return np.asarray(0.9 * stats.logistic.cdf(z) + 0.1 * stats.logistic.cdf(z / 3.0))


def test_fell_at_once_is_a_rise_below_nought(installation: Installation, rng: np.random.Generator) -> None:
    """The whole tail below counts, so an engine lean of peak explains it better the leaner it is."""
    u = _engines(installation, rng)
    found, truth, scale = _of(installation, u, ExhaustRise(RiseSeen.FELL_AT_ONCE))
    np.testing.assert_allclose(found, np.log(_below(-truth / scale)), rtol=1e-6, atol=1e-9)
    assert found[truth < -50.0].min() > found[truth > 50.0].max()


@pytest.mark.parametrize("kelvin", [60.0, 150.0])
def test_rough_before_the_peak_is_a_rise_above(
    installation: Installation, rng: np.random.Generator, kelvin: float
) -> None:
    """The whole tail above what was reached counts, so a richer engine explains it better."""
    u = _engines(installation, rng)
    found, truth, scale = _of(installation, u, ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, kelvin))
    np.testing.assert_allclose(found, np.log(_below((truth - kelvin) / scale)), rtol=1e-6, atol=1e-9)
    assert found[truth > kelvin + 50.0].min() > found[truth < kelvin - 50.0].max()


def test_a_peak_is_a_density(installation: Installation, rng: np.random.Generator) -> None:
    """A rise that was read counts as the density there, and neither side is favoured."""
    u = _engines(installation, rng)
    found, truth, scale = _of(installation, u, ExhaustRise(RiseSeen.PEAK, 60.0))
    density = 0.9 * stats.logistic.pdf(60.0, truth, scale) + 0.1 * stats.logistic.pdf(60.0, truth, 3.0 * scale)
    np.testing.assert_allclose(found, np.log(density), rtol=1e-6, atol=1e-9)


def test_a_run_has_a_mixture_of_its_own_at_both_ends(installation: Installation, rng: np.random.Generator) -> None:
    """A rise and a judgement of one run, its mixture integrated over a normal (Gauss-Hermite, 64 nodes).

    Taken for normals, the two are within a fifth of a nat for nine engines in ten to which the readings are likely.
    """
    u = draw_unknowns(installation, rng, draws=4000)
    evidence = gather(installation, [Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 60.0), idle_quality=IdleQuality.SMOOTH)])
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    ours = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)[:, 0]

    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    off = u.mixture_scatter * nodes
    shown = rise(ends.full + off, u.exhaust_scale, u.exhaust_width) + 6.5 * u.gauge_bias
    c = idle_cutpoints(u)
    heard = ends.idle + off + 0.018 * u.ear_bias
    below = [stats.logistic.cdf(cut, heard, u.idle_blur) for cut in (c.smooth_lean, c.smooth_rich)]
    smooth = below[1] - below[0]
    density = sum(
        share * stats.logistic.pdf(60.0, shown, width * u.rise_noise) for share, width in ((0.9, 1.0), (0.1, 3.0))
    )
    exact = np.log(np.sum(weights / weights.sum() * density * (0.95 * smooth + 0.01), axis=1))
    likely = exact > exact.max() - 3.0
    apart = np.abs(ours - exact)[likely]
    assert likely.sum() > 200
    assert np.quantile(apart, 0.9) < 0.2
    assert np.median(apart) < 0.1
