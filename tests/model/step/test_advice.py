"""What the adviser says, through the real model. The trade's rules are common practice, no published source."""

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from model.advisor import Advisor
from model.setting.holding import COLD_LOW, HOT_HIGH
from shared.advice import ActionKind, Stage, Suggestion
from shared.errors import StepLimitError, UnknownNeedleError
from shared.limits import CEILING_TURNS, StepLimits
from shared.records import ChangeNeedle, ChangePart, Entry, Installation, Part, TurnIdleStop, TurnScrew
from shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from shared.units import from_si, to_si
from tests import strategies
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_INSTALLATION = Installation(NEEDLES, "taper 30.0")


def _run(degf: float | None, idle: IdleQuality = IdleQuality.SMOOTH, rpm: float | None = None) -> Run:
    rise = ExhaustRise(RiseSeen.FELL_AT_ONCE) if degf is None else ExhaustRise(RiseSeen.PEAK, degf / 1.8)
    return Run(_AIR, rise=rise, idle_quality=idle, idle_rpm=rpm)


def _ask(advisor: Advisor, *log: Entry, installation: Installation = _INSTALLATION) -> Suggestion:
    return advisor.suggest(advisor.learn(installation, log))


def test_fell_at_once_goes_richer(advisor: Advisor) -> None:
    """EGT that falls at once asks for a richer setting, and running on at this one is refused as lean."""
    s = _ask(advisor, _run(None))
    assert s.action.kind is ActionKind.TURN_SCREW
    assert s.action.effect == "richer"
    assert "counter-clockwise: richer" in s.action.instruction
    repeat = next(c for c in s.alternatives if c.action.kind is ActionKind.REPEAT_RUN)
    assert repeat.refused is not None
    assert "lean of peak" in repeat.refused


@pytest.mark.parametrize("degf", [220.0, 300.0, 390.0])
def test_several_hundred_degrees_go_leaner(advisor: Advisor, degf: float) -> None:
    """Several hundred degrees of rise ask for a leaner setting by the largest step."""
    s = _ask(advisor, _run(degf))
    assert (s.action.kind, s.action.effect, s.action.turns) == (ActionKind.TURN_SCREW, "leaner", -0.25)


def test_a_hundred_degrees_is_right(advisor: Advisor) -> None:
    """About 100 °F with a smooth idle, seen three times, confirms both mixtures, and the idle speed with them."""
    s = _ask(advisor, _run(100), _run(105, rpm=800), _run(103, rpm=800))
    assert s.confidence.full_throttle.confirmed
    assert s.confidence.idle_mixture.confirmed
    assert s.stage is Stage.TUNED
    assert s.action.kind is ActionKind.KEEP


def test_tuned_in_thin_air_is_told_of_dense_air(advisor: Advisor) -> None:
    """What is right on a hot high field may be lean of peak on a cold low one, and is said; set there, it is not."""
    told = []
    for air in (HOT_HIGH, COLD_LOW):
        runs = [dataclasses.replace(_run(d, rpm=800), air=air) for d in (100, 104, 102)]
        s = _ask(advisor, *runs)
        assert s.action.kind is ActionKind.KEEP
        told.append([w for w in s.warnings if "cold day" in w])
    assert len(told[0]) == 1
    assert "lean of peak" in told[0][0]
    assert told[1] == []


@pytest.mark.parametrize(
    ("idle", "needle", "turn"),
    [(IdleQuality.RICH_LOADING_UP, "steeper", "leaner"), (IdleQuality.LEAN_STUMBLING, "shallower", "richer")],
)
def test_good_top_and_wrong_idle(advisor: Advisor, idle: IdleQuality, needle: str, turn: str) -> None:
    """With full throttle right, rich at idle wants a steeper needle and lean at idle a shallower one."""
    s = _ask(advisor, _run(100, idle), _run(98, idle), _run(102, idle))
    assert s.stage is Stage.IDLE_MIXTURE
    assert s.action.effect in (needle, turn)
    assert s.action.kind is ActionKind.CHANGE_NEEDLE
    assert "Start again at full throttle" in s.action.instruction


def test_idle_speed_comes_last(advisor: Advisor) -> None:
    """With both mixtures right and a slow idle, the idle stop is opened by a small step."""
    s = _ask(advisor, *(dataclasses.replace(_run(100, rpm=n), idle_rpm_rise=35.0) for n in (660, 665, 655)))
    assert s.stage is Stage.IDLE_SPEED
    assert (s.action.kind, s.action.effect) == (ActionKind.TURN_IDLE_STOP, "faster")


@pytest.mark.parametrize("change", [ChangeNeedle("taper 30.6"), *map(ChangePart, Part)])
def test_any_change_starts_again(advisor: Advisor, change: Entry) -> None:
    """A change of needle, intake, filter, propeller, exhaust or fuel sends a tuned engine back to the start.

    The engine is on the rich side of its band: nearer to its lean edge the first step after a change is a richer one.
    """
    s = _ask(advisor, _run(122), _run(126, rpm=800), change)
    assert s.stage is Stage.FULL_THROTTLE
    assert s.action.kind is ActionKind.REPEAT_RUN
    assert not s.confidence.full_throttle.observed


def test_an_idle_stop_turn_leaves_full_throttle_confirmed(advisor: Advisor) -> None:
    """Turning the idle stop asks for another look at idle only."""
    s = _ask(advisor, _run(100), _run(105, rpm=800), TurnIdleStop(0.125))
    assert s.confidence.full_throttle.confirmed
    assert not s.confidence.idle_mixture.observed


def test_no_needle_fits_is_said(advisor: Advisor) -> None:
    """With a single needle and an idle far too rich, it says that no needle fits and which slope would."""
    alone = Installation((NEEDLES[3],), "taper 30.0")
    rich = [_run(d, IdleQuality.RICH_LOADING_UP) for d in (100, 98, 102, 101)]
    turned = [x for r in rich for x in (r, TurnScrew(-0.125))]
    s = _ask(advisor, *rich, *turned[:1], installation=alone)
    assert s.stage is Stage.IDLE_MIXTURE
    assert s.action.kind in (ActionKind.INSPECT, ActionKind.TURN_SCREW)
    hopeless = _ask(
        advisor, *(Run(_AIR, ExhaustRise(RiseSeen.PEAK, 55.0), IdleQuality.RICH_LOADING_UP, 250.0) for _ in range(5)),
        installation=alone,
    )  # fmt: skip
    assert hopeless.action.kind is ActionKind.INSPECT
    assert "steeper than your taper 30.0" in hopeless.action.instruction


def test_the_first_answer_is_to_run(advisor: Advisor) -> None:
    """Before the first run the only advice is to make it."""
    s = _ask(advisor)
    assert s.action.kind is ActionKind.REPEAT_RUN
    assert s.confidence.runs == 0


def test_tightened_limits_hold(advisor: Advisor) -> None:
    """An owner's smaller largest step is obeyed."""
    tight = dataclasses.replace(_INSTALLATION, limits=StepLimits(quantum_turns=0.0625, largest_turns=0.125))
    s = _ask(advisor, _run(380), installation=tight)
    assert s.action.turns == -0.125
    assert all(abs(c.action.turns or 0) <= 0.125 for c in s.alternatives)


def test_an_answer_says_what_it_rests_on(advisor: Advisor) -> None:
    """Reason, expectation, cautions ending in the deference, information with its error, and provenance."""
    s = _ask(advisor, _run(160))
    assert "chance" in s.why
    assert "°F" in s.expect
    assert "licensed" in s.cautions[-1]
    assert "in flight" in s.cautions[-1]
    assert s.information.mcse > 0
    assert s.provenance.seed == advisor.seed
    for c in s.alternatives:
        if c.refused is None:
            assert c.information is not None
            assert c.price_runs is not None
            assert math.isfinite(c.information.nats)
            assert c.price_runs >= 1.0
        else:
            assert (c.information, c.price_runs) == (None, None)  # what may not be made promises nothing
    assert any(c.refused for c in s.alternatives)


def test_contradictions_are_not_passed_off_as_settled(advisor: Advisor) -> None:
    """Readings that cannot all be true either converge honestly or say that they did not."""
    log = [_run(90), _run(None), Run(_AIR, ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, 200.0)), _run(350), _run(None)]
    s = _ask(advisor, *log)
    if s.provenance.diagnostics.converged:
        assert (s.confidence.full_throttle.chance_in_band or 0) < 0.9
    else:
        assert s.action.kind is ActionKind.REPEAT_RUN
        assert s.warnings
    assert not s.confidence.full_throttle.confirmed


def test_what_if_agrees_with_the_candidate(advisor: Advisor) -> None:
    """Asking what an eighth would do gives the figures of that candidate."""
    learned = advisor.learn(_INSTALLATION, [_run(160)])
    candidate = next(c for c in advisor.suggest(learned).alternatives if c.action.turns == -0.125)
    assert advisor.what_if(learned.posterior, turns=-0.125) == candidate.prediction


def test_what_if_stays_within_limits(advisor: Advisor) -> None:
    """Neither a large step nor an unknown needle is answered."""
    learned = advisor.learn(_INSTALLATION, [_run(160)])
    with pytest.raises(StepLimitError, match=r"0\.25 turn at the most"):
        advisor.what_if(learned.posterior, turns=0.5)
    with pytest.raises(UnknownNeedleError):
        advisor.what_if(learned.posterior, needle="taper 99")


def test_what_if_in_hot_air(advisor: Advisor) -> None:
    """Thin air makes the same setting richer."""
    learned = advisor.learn(_INSTALLATION, [_run(100)])
    hot = advisor.what_if(learned.posterior, density=0.82)
    assert hot.mixture_full_throttle.median > advisor.what_if(learned.posterior).mixture_full_throttle.median


@given(strategies.logs)
@settings(max_examples=8)
def test_no_suggestion_exceeds_a_limit(advisor: Advisor, log: list[Entry]) -> None:
    """For any history the step is within the ceiling, nothing refused is suggested, chances are chances."""
    s = _ask(advisor, *log)
    assert abs(s.action.turns or 0.0) <= CEILING_TURNS
    assert all(abs(c.action.turns or 0.0) <= CEILING_TURNS for c in s.alternatives)
    allowed = [c.action for c in s.alternatives if c.refused is None]
    if s.action.kind in (ActionKind.TURN_SCREW, ActionKind.CHANGE_NEEDLE, ActionKind.TURN_IDLE_STOP):
        assert s.action in allowed
    for c in s.alternatives:
        assert 0.0 <= c.prediction.lean_chance <= 1.0
        assert sum(c.prediction.idle_quality) == pytest.approx(1.0)
    if not s.provenance.diagnostics.converged:
        assert s.action.kind in (ActionKind.REPEAT_RUN, ActionKind.INSPECT)


@given(st.permutations(range(4)), st.lists(st.floats(20.0, 300.0), min_size=4, max_size=4))
@settings(max_examples=3)
def test_order_at_one_setting_does_not_matter(advisor: Advisor, order: list[int], degrees: list[float]) -> None:
    """Runs at the same setting in any order teach exactly the same, whichever of them the latest is held against."""
    runs = [_run(d, IdleQuality(1 + i)) for i, d in enumerate(degrees)]
    mixed, sorted_ = (advisor.learn(_INSTALLATION, log) for log in ([runs[i] for i in order], runs))
    assert dataclasses.replace(mixed.confidence, suspicions=()) == dataclasses.replace(
        sorted_.confidence, suspicions=()
    )
    assert _ask(advisor, *runs) == _ask(advisor, *runs)


@given(st.floats(20.0, 300.0))
@settings(max_examples=5)
def test_units_do_not_matter(advisor: Advisor, degf: float) -> None:
    """A rise given in °F, in °C or in kelvin gives exactly the same answer."""
    kelvin = to_si("temperature_rise", degf, "delta_degF")
    celsius = to_si("temperature_rise", from_si("temperature_rise", kelvin, "delta_degC"), "delta_degC")
    answers = {_ask(advisor, Run(_AIR, ExhaustRise(RiseSeen.PEAK, x))) for x in (kelvin, celsius)}
    assert len(answers) == 1
