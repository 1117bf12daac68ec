"""What pictures are drawn from, against what the posterior itself says."""

from dataclasses import astuple

import numpy as np
import pytest
from numpy.typing import NDArray

from taperwise.model.inference.dataset import gather
from taperwise.model.inference.sampler import CAREFUL
from taperwise.model.physics.air import density_ratio
from taperwise.model.prediction.chart_data import along_the_travel, around_the_target, foretold
from taperwise.model.prediction.predictive import predict
from taperwise.model.prediction.setting_draws import predict_current
from taperwise.model.prediction.stages import confidence_of
from taperwise.model.recommender import Recommender
from taperwise.shared.records import ChangeNeedle, Entry, Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run


def _log(air: Air) -> list[Entry]:
    first = Run(air, ExhaustRise(RiseSeen.PEAK, 85.0), IdleQuality.SLIGHTLY_RICH)
    return [first, TurnScrew(-0.25), Run(air, ExhaustRise(RiseSeen.PEAK, 70.0), IdleQuality.SMOOTH)]


@pytest.mark.slow
def test_the_bands_hold_what_is_right(recommender: Recommender, installation: Installation, air: Air) -> None:
    """Draws well inside the target are right at both ends, draws well outside are not; its edges are medians.

    Of very many draws, for only one in twenty-five lies well inside or well outside.
    """
    many = {**CAREFUL, "draws": 8000}
    posterior = recommender.sampler.fit_once(gather(installation, _log(air)), recommender.seed, many)
    confidence = confidence_of(posterior, predict_current(posterior))
    around = around_the_target(posterior)
    (low, high), (shallow, steep) = around.offset_band, around.taper_band
    assert low < 0 < high
    assert shallow < 0 < steep
    lifted = around.taper_misfit - around.tilt * around.offset_turns

    def inside(share: float) -> NDArray[np.bool_]:
        wide = (around.offset_turns > share * low) & (around.offset_turns < share * high)
        return wide & (lifted > share * shallow) & (lifted < share * steep)

    assert around.right.mean() == pytest.approx(confidence.chance_both)
    assert np.mean(around.right[inside(0.5)]) > 0.97
    assert np.mean(around.right[~inside(1.5)]) < 0.03
    assert [(round(x, 9), round(y - around.tilt * x, 9)) for x, y in around.corners()] == [
        (round(x, 9), round(y, 9)) for x, y in ((low, shallow), (low, steep), (high, steep), (high, shallow))
    ]
    assert np.median(around.offset_turns) == pytest.approx(confidence.offset_turns.median)


def test_the_line_meets_both_ends(recorded: Recommender, installation: Installation, air: Air) -> None:
    """At idle and at full throttle the mixture along the travel is the one that is predicted there."""
    learned = recorded.learn(installation, _log(air))
    along = along_the_travel(learned.posterior)
    p = predict(learned.now, learned.posterior)
    assert along.travel_m[0] == pytest.approx(installation.throttle_body.idle_opening_m)
    assert along.travel_m[-1] == pytest.approx(installation.throttle_body.slide_stroke_m)
    assert along.mixture[0].median == pytest.approx(p.mixture_idle.median)
    assert along.mixture[-1].high_90 == pytest.approx(p.mixture_full_throttle.high_90)
    assert along.idle_band[0] < along.idle_band[1]
    assert 1.0 < along.full_band[0] < along.full_band[1]


def test_a_run_is_foretold_from_before_it(recorded: Recommender, installation: Installation, air: Air) -> None:
    """What was foretold of a run is what the question "what if" told before it was made; not over two changes."""
    log = _log(air)
    before = recorded.learn(installation, log[:1])
    run = log[2]
    assert isinstance(run, Run)
    position = gather(installation, log).trail[-1][0]
    told = foretold(before.posterior, position, run)
    assert told is not None
    asked = recorded.what_if(before.posterior, -0.25, density=density_ratio(air))
    # asked for by its density alone the standard's air is a hair cooler
    assert np.ravel(told.idle_quality) == pytest.approx(np.ravel(asked.idle_quality), abs=1e-6)
    for name in ("rise_kelvin", "mixture_full_throttle", "mixture_idle", "idle_rpm"):
        assert astuple(getattr(told, name)) == pytest.approx(astuple(getattr(asked, name)), rel=1e-6), name
    far = position.after(ChangeNeedle("taper 30.6"), installation).after(ChangeNeedle("taper 29.4"), installation)
    assert foretold(before.posterior, far, run) is None
