"""Which reading would shorten the way most."""

from dataclasses import replace

import pytest

from taperwise.model.design.candidates import evaluate_candidates
from taperwise.model.design.what_to_read import readings_worth
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import idle_cutpoints
from taperwise.model.prediction.setting_draws import predict_current
from taperwise.model.prediction.stages import confidence_of
from taperwise.shared.outlook import ReadingWorth
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_AIR = Air(288.15, 101_325.0)
_RUN = Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 100 / 1.8), idle_quality=IdleQuality.SMOOTH, static_rpm=2700.0)


def _idling_well(posterior: Posterior) -> Posterior:
    """Every engine with its idle in the middle of smooth."""
    cuts = idle_cutpoints(posterior.unknowns)
    middle = 0.5 * (cuts.smooth_lean + cuts.smooth_rich)
    return replace(posterior, unknowns=replace(posterior.unknowns, ln_idle=middle))


def _worth(installation: Installation, spread: float, *, informed: bool = True) -> dict[str, ReadingWorth]:
    posterior = _idling_well(engines(installation, [_RUN] * 2, 0.13, spread, draws=4_000))
    now = predict_current(posterior)
    weighing = evaluate_candidates(posterior, confidence_of(posterior, now), now, informed=informed)
    found = readings_worth(weighing, weighing.options[0], installation)
    assert [each.runs_saved for each in found] == sorted((each.runs_saved for each in found), reverse=True)
    return {each.name: each for each in found}


@pytest.mark.parametrize("spread", [0.04, 0.06, 0.08])
def test_the_rise_tells_most_where_full_throttle_is_unknown(installation: Installation, spread: float) -> None:
    """Nothing else says where full throttle stands; a speed that hardly changes with mixture says next to nothing.

    By how many runs is no matter of the trade: where one run settles less, it saves less, too, and so it does where a
    setting that is right in part is worth part. That is a fifth, so four fifths of half a run are asked for.
    """
    worth = _worth(installation, spread)
    others = [each.runs_saved for name, each in worth.items() if name != "rise"]
    assert worth["rise"].runs_saved > 0.8 * 0.5
    assert max(others) < 0.1 * worth["rise"].runs_saved
    assert worth["rise"].usual
    assert worth["static_rpm"].usual
    assert not worth["power_rpm_rise"].usual


def test_lambda_is_not_asked_for_with_leaded_fuel(installation: Installation) -> None:
    """Lead poisons the probe: common knowledge of the trade, no published source."""
    assert "lambda_full_rich" not in _worth(installation, 0.06)


def test_nothing_is_said_where_no_run_is_simulated(installation: Installation) -> None:
    """Without the next run simulated there are no figures, and none are made up."""
    assert _worth(installation, 0.06, informed=False) == {}
