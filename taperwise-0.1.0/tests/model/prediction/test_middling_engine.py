"""The engine in the middle of the prior, and the share of a prior that is gone."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.inference.contraction import LEARNED, share_learned
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import Posterior
from taperwise.model.prediction.prior_median_engine import believed_rises, both_ends
from taperwise.shared.recommendation import Diagnostics
from taperwise.shared.records import Installation

_TURNS = np.arange(-8, 9) / 8


def test_out_is_richer_at_both_ends(installation: Installation) -> None:
    """The needle moved out richens; common practice, no published source."""
    found = both_ends(installation, "taper 30.0", list(_TURNS))
    assert (np.diff(found.full) > 0).all()
    assert (np.diff(found.idle) > 0).all()


def test_a_steeper_needle(installation: Installation) -> None:
    """Richer at full throttle and, once that is reset, leaner at idle; common practice, no published source."""
    ordered = sorted(installation.needles, key=lambda n: n.taper_slope)
    shallow, steep = (both_ends(installation, n.label, list(_TURNS)) for n in (ordered[2], ordered[4]))
    assert (steep.full > shallow.full).all()
    full = float(np.mean(shallow.full_band))
    at_idle = [float(np.interp(full, needle.full, needle.idle)) for needle in (shallow, steep)]
    assert at_idle[1] < at_idle[0]


def test_a_hundred_degrees_lies_in_the_band(installation: Installation) -> None:
    """The band of mixture is where the middling engine shows the rise aimed at."""
    band = both_ends(installation, "taper 30.0", [0.0]).full_band
    _, rises = believed_rises(installation, np.array(band), 3)
    assert rises == pytest.approx(installation.targets.rise_kelvin, rel=1e-6)


def test_nothing_is_learned_from_nothing(installation: Installation) -> None:
    """Draws of the prior itself: no share is gone, within the scatter of 4,000; of half the spread, three quarters."""
    draws = draw_unknowns(installation, np.random.default_rng(4), draws=4000)
    evidence = gather(installation, ())
    none = Diagnostics(1.0, 4000.0, 4000.0, 0, 4, 1000, 0, True)
    shares = share_learned(Posterior(draws, evidence, none, 1))
    assert set(shares) == set(LEARNED)
    for name in LEARNED:
        if name != "static_rpm":
            assert shares[name] == pytest.approx(0.0, abs=0.12), name
    narrowed = replace(draws, idle_best=0.5 * draws.idle_best)
    assert share_learned(Posterior(narrowed, evidence, none, 1))["idle_best"] == pytest.approx(0.75, abs=0.03)
