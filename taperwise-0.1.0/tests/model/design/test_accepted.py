"""An owner may accept a setting that is not confirmed, at the chance that is stated."""

import pytest

from taperwise.model.inference.dataset import gather
from taperwise.model.prediction.setting_draws import predict_current
from taperwise.model.prediction.stages import confidence_of
from taperwise.model.recommender import Learned, Recommender
from taperwise.shared.reasons import ReasonCode
from taperwise.shared.recommendation import ActionKind, Stage
from taperwise.shared.records import AcceptSetting, Acknowledge, Entry, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_AIR = Air(288.15, 101_325.0)
_RUN = Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 100 / 1.8), idle_quality=IdleQuality.SMOOTH)
_ACCEPT = AcceptSetting("good enough for me")


@pytest.mark.parametrize(
    ("after", "accepted"),
    [
        ([], True),
        ([_RUN], True),
        ([Acknowledge("a loose probe")], True),
        ([TurnScrew(0.125)], False),
        ([TurnIdleStop(0.125), _RUN], False),
    ],
)
def test_it_holds_until_something_is_turned(installation: Installation, after: list[Entry], accepted: bool) -> None:
    """Runs and findings leave the setting as it is; a turn makes it another one."""
    assert gather(installation, [_RUN, _ACCEPT, *after]).accepted is accepted


def _learned(installation: Installation, entries: list[Entry], ln_full: float) -> Learned:
    posterior = engines(installation, entries, ln_full, 0.02)
    now = predict_current(posterior)
    return Learned(posterior, now, confidence_of(posterior, now))


@pytest.mark.parametrize(
    ("entries", "ln_full", "kept"),
    [
        ([_RUN, _ACCEPT], 0.25, True),
        ([_RUN], 0.25, False),
        ([_RUN, TurnScrew(0.125), _ACCEPT], 0.25, False),  # nobody looked here
        ([_RUN, _ACCEPT], 0.0, False),  # it may run lean
    ],
    ids=["accepted", "not accepted", "not looked at", "lean"],
)
def test_it_is_kept_and_never_called_tuned(
    unlearned: Recommender, installation: Installation, entries: list[Entry], ln_full: float, kept: bool
) -> None:
    """The step is to keep it; stage and chance stay what they are. What may run lean is not kept by being accepted."""
    s = unlearned.suggest(_learned(installation, entries, ln_full))
    assert (s.action.kind is ActionKind.KEEP) is kept
    assert (s.why.code is ReasonCode.ACCEPTED) is kept
    assert s.stage is not Stage.TUNED
    assert not s.confidence.full_throttle.confirmed
