"""Steps that may not be suggested: engines of the prior stand for a posterior, so that no sampler is needed."""

import numpy as np
import pytest

from taperwise.model.design.candidates import CandidateSet, evaluate_candidates
from taperwise.model.prediction.setting_draws import predict_current, right_at
from taperwise.model.prediction.stages import confidence_of
from taperwise.shared.limits import CEILING_TURNS
from taperwise.shared.reasons import RefusalCode
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Entry, Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_RUN = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 100 / 1.8), idle_quality=IdleQuality.SMOOTH)
_LOG: list[Entry] = [_RUN, _RUN]
_LEAN_LIMIT = 0.05
"""Chance of lean of peak at full throttle beyond which nothing but a richer turn is suggested."""


def _weighing(installation: Installation, ln_full: float, spread: float = 0.03) -> CandidateSet:
    posterior = engines(installation, _LOG, ln_full, spread)
    now = predict_current(posterior)
    return evaluate_candidates(posterior, confidence_of(posterior, now), now, informed=False)


def _lean(weighing: CandidateSet) -> list[float]:
    """Share of engines whose leanest cylinder has less fuel than at its peak, after each step."""
    return [float(np.mean(w.outlook.leanest < 0.0)) for w in weighing.options]


@pytest.mark.parametrize("ln_full", [-0.1, 0.0, 0.04, 0.07, 0.1, 0.14, 0.25])
def test_nothing_that_may_run_lean_is_suggested(installation: Installation, ln_full: float) -> None:
    """Beyond 5 % only a richer turn remains: common practice, no published source, is that richer is the safe side."""
    weighing = _weighing(installation, ln_full)
    for w, lean in zip(weighing.options, _lean(weighing), strict=True):
        action, refused = w.candidate.action, w.candidate.refused
        richer = action.kind is ActionKind.TURN_SCREW and (action.turns or 0.0) > 0
        too_lean = refused is not None and refused.code is RefusalCode.LEAN_OF_PEAK
        assert too_lean is (lean > _LEAN_LIMIT and not richer), (action, lean)
        if refused is not None and too_lean:
            now = float(np.mean(weighing.options[0].outlook.leanest < 0.0))
            assert (refused.chance, refused.chance_now) == (pytest.approx(lean), pytest.approx(now))
            assert refused.limit == _LEAN_LIMIT


@pytest.mark.parametrize("ln_full", [0.2, 0.23])
def test_what_may_run_lean_may_always_be_turned_richer(installation: Installation, ln_full: float) -> None:
    """Where the present setting is beyond the limit and likely too rich all the same, richer is the safe side: no turn
    richer is refused for leading away from the band, or the run would be made again as it is.
    """
    here, *others = _weighing(installation, ln_full, 0.15).options
    assert np.mean(here.outlook.leanest < 0.0) > _LEAN_LIMIT
    richer = [w for w in others if w.candidate.action.effect == "richer"]
    assert len(richer) == 2
    assert all(w.away > here.away + 0.02 for w in richer)
    assert [w.candidate.refused for w in richer] == [None, None]
    assert here.candidate.refused is not None


def test_both_sides_of_the_lean_limit_are_tried(installation: Installation) -> None:
    """The same log refuses every leaner turn near the peak, and none for being lean far on the rich side."""
    for ln_full, refused in ((0.05, True), (0.25, False)):
        leaner = [w for w in _weighing(installation, ln_full).options if (w.candidate.action.turns or 0.0) < 0]
        assert len(leaner) == 2
        codes = [None if w.candidate.refused is None else w.candidate.refused.code for w in leaner]
        assert all((code is RefusalCode.LEAN_OF_PEAK) is refused for code in codes)


@pytest.mark.parametrize(("ln_full", "lean"), [(-0.05, 1.0), (0.4, 0.0)])
def test_lean_of_peak_is_below_the_peaks_mixture(installation: Installation, ln_full: float, lean: float) -> None:
    """By definition: less fuel than at peak EGT is lean of it, as candidates and prospects see it."""
    posterior = engines(installation, _LOG, ln_full)
    now = predict_current(posterior)
    assert now.lean.mean() == lean
    assert right_at(posterior, [now.position], now.conditions).lean.mean() == lean


def test_no_step_is_larger_than_a_quarter(installation: Installation) -> None:
    """Turns that are weighed are an eighth and a quarter either way: common practice, no published source."""
    assert CEILING_TURNS == 0.25
    turns = [w.candidate.action.turns for w in _weighing(installation, 0.1).options]
    assert sorted(t for t in turns if t is not None) == [-0.25, -0.125, 0.125, 0.25]


def test_needles_are_called_steeper_and_shallower_as_they_are(installation: Installation) -> None:
    """A needle whose taper has more depth a length is the steeper one."""
    fitted = installation.needle(installation.fitted_needle).taper_slope
    changes = [
        w.candidate.action
        for ln_full in (0.0, 0.1, 0.25)
        for w in _weighing(installation, ln_full).options
        if w.candidate.action.kind is ActionKind.CHANGE_NEEDLE
    ]
    assert {a.effect for a in changes} == {"steeper", "shallower"}
    for action in changes:
        assert action.needle is not None
        other = installation.needle(action.needle).taper_slope
        steeper = other > fitted
        assert action.effect == ("steeper" if steeper else "shallower")
        between = sum(fitted < n.taper_slope <= other or other <= n.taper_slope < fitted for n in installation.needles)
        assert abs(action.needle_steps or 0) == between
        assert ((action.needle_steps or 0) > 0) is steeper
