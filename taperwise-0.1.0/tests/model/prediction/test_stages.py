"""Which stage comes next, and what makes a confirmed stage unconfirmed: common practice, no published source.

The trade sets full throttle first, then the idle mixture, then the idle speed, and looks again at whatever a change
touches.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.prediction.setting_draws import predict_current
from taperwise.model.prediction.stages import confidence_of
from taperwise.shared.recommendation import Confidence, Stage
from taperwise.shared.records import (
    Acknowledge,
    ChangeNeedle,
    ChangePart,
    Entry,
    Fuel,
    Installation,
    Part,
    TurnIdleStop,
    TurnScrew,
)
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_AIR = Air(288.15, 101_325.0)
_RISE = ExhaustRise(RiseSeen.PEAK, 100 / 1.8)
_ALL = Run(_AIR, rise=_RISE, idle_quality=IdleQuality.SMOOTH, idle_rpm=800.0)
_IDLE_ALONE = Run(_AIR, idle_quality=IdleQuality.SMOOTH, idle_rpm=800.0)
_RISE_ALONE = Run(_AIR, rise=_RISE)
_SPEED_ALONE = Run(_AIR, rise=_RISE, idle_rpm=800.0)
_DRAWS = 400


def _confidence(
    installation: Installation, entries: Sequence[Entry], right: Sequence[float] = (1.0, 1.0, 1.0)
) -> Confidence:
    """Of a setting at which the first so many of the draws are right, one share a stage."""
    posterior = engines(installation, entries, 0.1, draws=_DRAWS)
    full, idle, speed = (np.arange(_DRAWS) < share * _DRAWS for share in right)
    return confidence_of(
        posterior, replace(predict_current(posterior), full_right=full, idle_right=idle, speed_right=speed)
    )


@pytest.mark.parametrize(
    ("right", "stage"),
    [
        ((0.5, 0.5, 0.5), Stage.FULL_THROTTLE),
        ((0.5, 1.0, 1.0), Stage.FULL_THROTTLE),
        ((1.0, 0.5, 0.5), Stage.IDLE_MIXTURE),
        ((1.0, 0.5, 1.0), Stage.IDLE_MIXTURE),
        ((1.0, 1.0, 0.5), Stage.IDLE_SPEED),
        ((1.0, 1.0, 1.0), Stage.TUNED),
        ((0.91, 0.91, 0.91), Stage.TUNED),
        ((0.89, 0.91, 0.91), Stage.FULL_THROTTLE),
    ],
)
def test_stages_come_in_order(installation: Installation, right: tuple[float, ...], stage: Stage) -> None:
    """The first stage that is not right nine times in ten comes next, whatever the later ones are."""
    assert _confidence(installation, [_ALL], right).stage is stage


@pytest.mark.parametrize(
    ("run", "stage", "confirmed"),
    [
        (_ALL, Stage.TUNED, (True, True, True)),
        (_IDLE_ALONE, Stage.FULL_THROTTLE, (False, False, False)),
        (_SPEED_ALONE, Stage.IDLE_MIXTURE, (True, False, False)),
        (_RISE_ALONE, Stage.IDLE_MIXTURE, (True, False, False)),
    ],
    ids=["all", "no rise", "no idle judged", "rise alone"],
)
def test_what_was_not_observed_confirms_nothing(
    installation: Installation, run: Run, stage: Stage, confirmed: tuple[bool, ...]
) -> None:
    """However sure a stage is, it waits for an observation of its own and for the stages before it."""
    found = _confidence(installation, [run])
    assert found.stage is stage
    assert tuple(s.confirmed for s in (found.full_throttle, found.idle_mixture, found.idle_speed)) == confirmed


@pytest.mark.parametrize(
    ("then", "stage"),
    [
        ([ChangeNeedle("taper 30.6")], Stage.FULL_THROTTLE),
        ([ChangeNeedle("taper 30.0")], Stage.FULL_THROTTLE),
        ([ChangeNeedle("taper 30.6"), ChangeNeedle("taper 30.0")], Stage.FULL_THROTTLE),
        ([ChangePart(Part.PROPELLER)], Stage.FULL_THROTTLE),
        ([ChangePart(Part.FUEL, Fuel.MOGAS_E10)], Stage.FULL_THROTTLE),
        ([TurnScrew(0.125)], Stage.FULL_THROTTLE),
        ([TurnIdleStop(0.125)], Stage.IDLE_MIXTURE),
        ([TurnScrew(0.125), TurnScrew(-0.125)], Stage.TUNED),
        ([TurnIdleStop(0.125), TurnIdleStop(-0.125)], Stage.TUNED),
        ([Acknowledge("a loose probe")], Stage.TUNED),
    ],
    ids=[
        "needle", "same needle anew", "needle and back", "propeller", "fuel", "screw", "idle stop", "screw and back",
        "idle stop and back", "cause",
    ],
)  # fmt: skip
def test_a_change_takes_back_what_it_touches(installation: Installation, then: list[Entry], stage: Stage) -> None:
    """After a needle, a part or the screw all is looked at again, after the idle stop the idle; back is as before."""
    assert _confidence(installation, [_ALL]).stage is Stage.TUNED
    found = _confidence(installation, [_ALL, *then])
    assert found.stage is stage
    assert found.full_throttle.observed is (stage is not Stage.FULL_THROTTLE)
