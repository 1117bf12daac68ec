"""Needle advice, and repeats that settle nothing."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from taperwise.model.design import candidates
from taperwise.model.design.candidates import CandidateSet, evaluate_candidates
from taperwise.model.design.reachable_settings import prospects_of
from taperwise.model.design.selection import choose
from taperwise.model.inference.dataset import start_position
from taperwise.model.recommender import Recommender
from taperwise.shared.limits import StepLimits
from taperwise.shared.reasons import HeldBack, InspectCause, ReasonCode, Refusal, RefusalCode
from taperwise.shared.recommendation import ActionKind, Confidence, Stage
from taperwise.shared.records import (
    Acknowledge,
    Adjustment,
    ChangeNeedle,
    ChangePart,
    Entry,
    Installation,
    Part,
    TurnIdleStop,
    TurnScrew,
)
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_AIR = Air(288.15, 101_325.0)


def _run(degf: float, idle: IdleQuality, rise: float) -> Run:
    return Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, degf / 1.8), idle_quality=idle, idle_rpm_rise=rise, idle_rpm=800.0)


@pytest.fixture
def confidence(recorded: Recommender, installation: Installation) -> Confidence:
    """Of any run."""
    return recorded.learn(installation, [_run(100, IdleQuality.SMOOTH, 30)]).confidence


@pytest.mark.parametrize("run", [_run(100, IdleQuality.SMOOTH, 30)])
@pytest.mark.parametrize("turn", [TurnIdleStop(0.125), TurnIdleStop(-0.25), TurnScrew(0.125)])
def test_a_run_comes_first_after_any_turn(
    recorded: Recommender, installation: Installation, run: Run, turn: Adjustment
) -> None:
    """Whatever was seen before it: an idle stop turn leaves what was seen at full throttle, and asks for a run, too."""
    learned = recorded.learn(installation, [run, turn])
    assert learned.confidence.stage is Stage.FULL_THROTTLE
    s = recorded.suggest(learned)
    assert (s.action.kind, s.why.code) == (ActionKind.REPEAT_RUN, ReasonCode.NOT_SEEN_YET)


def test_every_needle_with_its_chance(recorded: Recommender, installation: Installation) -> None:
    """While the mixtures are being set, each needle on hand has its best position and chance, shallowest first."""
    # three runs: after two, a turn of the idle stop costs the same
    log: list[Entry] = [_run(100, IdleQuality.LEAN_STUMBLING, 0)] * 3
    s = recorded.suggest(recorded.learn(installation, log))
    assert [n.needle for n in s.needles] == [n.label for n in installation.needles]
    best = max(s.needles, key=lambda n: n.chance_both)
    # lean at idle with full throttle right wants a shallower one (common practice, no published source)
    assert s.action.kind is ActionKind.CHANGE_NEEDLE
    assert installation.needle(best.needle).taper_slope < 0.030
    assert s.action.needle is not None
    assert installation.needle(s.action.needle).taper_slope < 0.030


def test_no_needle_fits_is_said_with_the_slope_that_would(recorded: Recommender, installation: Installation) -> None:
    """Far too rich at full throttle and stumbling at idle, seen over four runs: no needle on hand can mend that."""
    log: list[Entry] = []
    for degf in (270, 250, 225, 205):
        log += [_run(degf, IdleQuality.LEAN_STUMBLING, 0), TurnScrew(-0.25)]
    s = recorded.suggest(recorded.learn(installation, [*log[:-1], Acknowledge("no leak, fuel flow as it should be")]))
    assert s.action.kind is ActionKind.INSPECT
    assert s.action.inspection is not None
    assert s.why.code is ReasonCode.NO_NEEDLE_FITS
    slope = s.action.inspection.ideal_slope
    assert slope is not None
    assert (slope.shallower, slope.steeper) == (None, "taper 28.2")


def test_one_run_condemns_no_needle(recorded: Recommender, installation: Installation) -> None:
    """Before the second run the screw is turned towards the band, whatever the idle says."""
    s = recorded.suggest(recorded.learn(installation, [_run(390, IdleQuality.LEAN_STUMBLING, 0)]))
    assert (s.action.kind, s.action.turns) == (ActionKind.TURN_SCREW, -0.25)
    changes = [c for c in s.alternatives if c.action.kind is ActionKind.CHANGE_NEEDLE]
    assert changes
    codes = {None if c.refused is None else c.refused.code for c in changes}
    assert codes <= {RefusalCode.ONE_RUN_IS_NOT_ENOUGH, RefusalCode.LEAN_OF_PEAK}


def test_no_step_leads_away_from_the_band(recorded: Recommender, installation: Installation) -> None:
    """Too rich at full throttle, every richer turn is refused, and so is another run at what is known to be wrong."""
    s = recorded.suggest(recorded.learn(installation, [_run(230, IdleQuality.SMOOTH, 30)]))
    refused = {c.action.turns: c.refused for c in s.alternatives if c.action.kind is ActionKind.TURN_SCREW}
    richer = [why for turns, why in refused.items() if turns and turns > 0]
    assert richer == [Refusal(RefusalCode.LEADS_AWAY)] * 2
    repeat = next(c for c in s.alternatives if c.action.kind is ActionKind.REPEAT_RUN)
    assert repeat.refused == Refusal(RefusalCode.KNOWN_TO_BE_WRONG)


@pytest.mark.parametrize(("here", "there", "said"), [(3, 3, True), (2, 9, False), (9, 2, False)])
def test_turning_to_and_fro_comes_to_an_end(
    recorded: Recommender, installation: Installation, here: int, there: int, said: bool
) -> None:
    """Where the best step leads back to a setting that was tried as often as this one, it is said that it is as near
    as it comes; before that the step is suggested.
    """
    learned = recorded.learn(installation, [_run(230, IdleQuality.SMOOTH, 30)])
    confidence = dataclasses.replace(learned.confidence, runs_here=here)
    weighing = evaluate_candidates(learned.posterior, confidence, learned.now)
    assert all(w.runs_there == (1 if w.candidate.action.kind is ActionKind.REPEAT_RUN else 0) for w in weighing.options)
    tried = dataclasses.replace(weighing, options=[dataclasses.replace(w, runs_there=there) for w in weighing.options])
    step = choose(weighing, confidence, installation).action
    assert step.kind is ActionKind.TURN_SCREW
    choice = choose(tried, confidence, installation)
    chosen = choice.action
    if said:
        assert choice.why.code is ReasonCode.TO_AND_FRO
        assert chosen.inspection is not None
        assert chosen.inspection.cause is InspectCause.NOT_TO_BE_SETTLED
        assert chosen.inspection.chance_now == confidence.chance_both
        assert chosen.inspection.ideal_slope is not None
    else:
        assert chosen == step


def test_idle_speed_at_an_edge_is_told_without_a_needle(recorded: Recommender, installation: Installation) -> None:
    """Where the idle stop leads to and fro, the band of the idle speed is named, and no needle asked for."""
    learned = recorded.learn(installation, [_run(100, IdleQuality.SMOOTH, 30)] * 2)
    confidence = dataclasses.replace(learned.confidence, stage=Stage.IDLE_SPEED, runs_here=3)
    weighing = evaluate_candidates(learned.posterior, confidence, learned.now)
    away = [
        dataclasses.replace(
            w,
            runs_there=3,
            candidate=dataclasses.replace(
                w.candidate,
                refused=Refusal(RefusalCode.KNOWN_TO_BE_WRONG)
                if w.candidate.action.kind is ActionKind.REPEAT_RUN
                else w.candidate.refused,
            ),
        )
        for w in weighing.options
    ]
    told = choose(dataclasses.replace(weighing, options=away), confidence, installation).action
    assert told.cause is InspectCause.NOT_TO_BE_SETTLED
    assert told.inspection is not None
    assert told.inspection.idle_rpm_band == (700.0, 900.0)
    assert told.inspection.chance_now == confidence.idle_speed.chance_in_band
    assert told.inspection.ideal_slope is None


@pytest.mark.parametrize(
    ("stage", "both", "speed", "refused"),
    [
        (Stage.FULL_THROTTLE, 0.04, 0.9, True), (Stage.FULL_THROTTLE, 0.06, 0.0, False),
        (Stage.IDLE_MIXTURE, 0.04, 0.9, True), (Stage.IDLE_SPEED, 0.95, 0.04, True),
        (Stage.IDLE_SPEED, 0.95, 0.06, False),
    ],
)  # fmt: skip
def test_a_setting_known_to_be_wrong_is_not_run_again(
    confidence: Confidence, stage: Stage, both: float, speed: float, refused: bool
) -> None:
    """Whichever of the ends is wrong, and whatever the stage; the idle speed counts once both mixtures are right."""
    idle_speed = dataclasses.replace(confidence.idle_speed, chance_in_band=speed)
    now = dataclasses.replace(confidence, stage=stage, chance_both=both, idle_speed=idle_speed)
    said = candidates._repeat_refusal(now)
    assert said == (Refusal(RefusalCode.KNOWN_TO_BE_WRONG) if refused else None)


@pytest.mark.parametrize(("any_setting", "given_up"), [(0.09, True), (0.11, False)])
def test_an_idle_speed_that_no_setting_reaches_is_given_up(
    recorded: Recommender, installation: Installation, any_setting: float, given_up: bool
) -> None:
    """Both mixtures right, and no place of screw, stop and needle likely to make the idle speed right with them."""
    learned = recorded.learn(installation, [_run(100, IdleQuality.SMOOTH, 30)] * 2)
    confidence = dataclasses.replace(learned.confidence, stage=Stage.IDLE_SPEED)
    weighing = evaluate_candidates(learned.posterior, confidence, learned.now)
    choice = choose(dataclasses.replace(weighing, all_chance=any_setting), confidence, installation)
    assert (choice.why.code is ReasonCode.NOT_SETTLED) is given_up
    if given_up:
        assert choice.action.inspection is not None
        assert choice.action.inspection.idle_rpm_band == (700.0, 900.0)


@pytest.mark.parametrize(("both", "promise", "changed"), [(0.6, 0.25, False), (0.6, 0.35, True), (0.4, 0.05, True)])
def test_what_is_likely_right_is_not_given_up_for_a_far_worse_needle(
    recorded: Recommender, installation: Installation, both: float, promise: float, changed: bool
) -> None:
    """Where the lean limit forbids all but a change of needle, the run is made again."""
    learned = recorded.learn(installation, [_run(100, IdleQuality.SMOOTH, 30)])
    confidence = dataclasses.replace(learned.confidence, stage=Stage.FULL_THROTTLE, chance_both=both)
    weighing = evaluate_candidates(learned.posterior, confidence, learned.now)
    needle = next(w.candidate.action for w in weighing.options if w.candidate.action.kind is ActionKind.CHANGE_NEEDLE)
    choice = choose(_priced(weighing, {(needle.kind, needle.turns): (9.0, promise)}), confidence, installation)
    if changed:
        assert choice.action.kind is ActionKind.CHANGE_NEEDLE
    else:
        assert (choice.action.kind, choice.why.code) == (ActionKind.REPEAT_RUN, ReasonCode.ALL_REFUSED)


@pytest.mark.parametrize(("full", "idle", "refused"), [(0.5, 0.5, False), (0.5, 0.05, True), (0.8, 0.0, False)])
def test_full_throttle_is_risked_only_where_both_ends_gain(
    confidence: Confidence, full: float, idle: float, refused: bool
) -> None:
    """At the idle stage, a turn that may cost full throttle its band has to gain both ends a tenth of chance."""
    now = dataclasses.replace(confidence, stage=Stage.IDLE_MIXTURE, chance_both=0.1)
    shares = (np.arange(100) < 100 * full, np.arange(100) < 100 * idle)
    there = SimpleNamespace(full_right=shares[0], idle_right=shares[1])
    said = candidates._screw_refusal(now, there, candidates._Moves(0.0, 0.0, False, True))  # type: ignore[arg-type] - as it asks
    assert said == (Refusal(RefusalCode.LOSES_FULL_THROTTLE, full) if refused else None)


def _priced(
    weighing: CandidateSet, figures: dict[tuple[ActionKind, float | None], tuple[float, float]]
) -> CandidateSet:
    """The weighing with other runs left and chances of both ends; what is not named is refused."""
    options = []
    for w in weighing.options:
        price_runs, both = figures.get((w.candidate.action.kind, w.candidate.action.turns), (None, 0.0))
        prediction = dataclasses.replace(w.candidate.prediction, chance_both=both)
        refused = Refusal(RefusalCode.LEADS_AWAY) if price_runs is None else None
        candidate = dataclasses.replace(w.candidate, price_runs=price_runs, refused=refused, prediction=prediction)
        options.append(dataclasses.replace(w, candidate=candidate, promise=both, worth=both))
    return dataclasses.replace(weighing, options=options)


@pytest.mark.parametrize(
    ("turn_left", "turn_both", "turned"),
    [(7.08, 0.65, True), (7.08, 0.25, False), (7.00, 0.25, False), (7.30, 0.65, False)],
    ids=["more promising", "hardly more promising", "hardly better", "worse"],
)
def test_of_steps_as_good_the_promising_one_is_taken(
    recorded: Recommender, installation: Installation, turn_left: float, turn_both: float, turned: bool
) -> None:
    """Another run at what is likely wrong is no smaller step than a turn to what is likely right, where either leaves
    as many runs; where a turn promises hardly more, the run alone is the smaller one.
    """
    learned = recorded.learn(installation, [_run(100, IdleQuality.SLIGHTLY_LEAN, 0)])
    confidence = dataclasses.replace(learned.confidence, stage=Stage.IDLE_MIXTURE)
    weighing = _priced(
        evaluate_candidates(learned.posterior, confidence, learned.now),
        {(ActionKind.REPEAT_RUN, None): (7.08, 0.17), (ActionKind.TURN_SCREW, 0.125): (turn_left, turn_both)},
    )
    chosen = choose(weighing, confidence, installation).action
    assert (chosen.kind is ActionKind.TURN_SCREW) is turned


@pytest.mark.parametrize("stage", list(Stage)[:3])
@pytest.mark.parametrize(("lean", "after", "turned"), [(True, 0.03, True), (True, 0.06, False), (False, 0.03, False)])
def test_full_throttle_that_may_be_lean_is_turned_richer_before_a_needle_is_changed(
    recorded: Recommender, installation: Installation, stage: Stage, lean: bool, after: float, turned: bool
) -> None:
    """Once it is right but for the lean limit, and where a turn is enough: the least, whatever is cheaper."""
    learned = recorded.learn(installation, [_run(100, IdleQuality.SLIGHTLY_LEAN, 0)])
    confidence = dataclasses.replace(learned.confidence, stage=stage)
    richer = {(ActionKind.TURN_SCREW, 0.125): (9.0, 0.1), (ActionKind.TURN_SCREW, 0.25): (8.0, 0.1)}
    weighing = evaluate_candidates(learned.posterior, confidence, learned.now)
    needle = next(w.candidate.action for w in weighing.options if w.candidate.action.kind is ActionKind.CHANGE_NEEDLE)
    weighing = _priced(weighing, {(needle.kind, needle.turns): (4.0, 0.5)} | richer)
    options = []
    for w in weighing.options:
        candidate = w.candidate
        if candidate.action.effect == "richer":
            prediction = dataclasses.replace(candidate.prediction, lean_chance=after)
            candidate = dataclasses.replace(candidate, prediction=prediction)
        if candidate.action.kind is ActionKind.REPEAT_RUN and lean:
            candidate = dataclasses.replace(candidate, refused=Refusal(RefusalCode.LEAN_OF_PEAK, 0.08, 0.08, 0.05))
        options.append(dataclasses.replace(w, candidate=candidate))
    choice = choose(dataclasses.replace(weighing, options=options), confidence, installation)
    if turned and stage is not Stage.FULL_THROTTLE:
        assert (choice.action.turns, choice.why.code) == (0.125, ReasonCode.RICHER_TO_BE_SAFE)
    else:
        assert choice.action.kind is ActionKind.CHANGE_NEEDLE


def test_a_needle_that_fits_with_the_idle_stop_turned_is_not_given_up(
    recorded: Recommender, installation: Installation
) -> None:
    """Full throttle right and the idle lean, with a single needle: another place of the idle stop may mend what no
    screw position does, and counts among the settings where all is right.
    """
    log: list[Entry] = [_run(100, IdleQuality.LEAN_STUMBLING, 0)] * 3
    alone = dataclasses.replace(installation, needles=(installation.needle("taper 30.0"),))
    learned = recorded.learn(alone, log)
    weighing = evaluate_candidates(learned.posterior, learned.confidence, learned.now)
    screw_alone = prospects_of(learned.posterior, learned.now.position, learned.now.conditions).any_chance()
    assert weighing.any_chance > screw_alone + 0.2


@pytest.mark.parametrize(("both", "tried", "taken"), [(0.95, 0, True), (0.85, 0, False), (0.95, 3, False)])
def test_what_runs_here_do_not_settle_a_sure_setting_may(
    recorded: Recommender, installation: Installation, both: float, tried: int, taken: bool
) -> None:
    """After many runs at one setting one that is as good as sure is suggested; else it is as near as it comes."""
    learned = recorded.learn(installation, [_run(100, IdleQuality.SLIGHTLY_LEAN, 0)])
    confidence = dataclasses.replace(learned.confidence, stage=Stage.IDLE_MIXTURE, runs_here=6)
    figures = {(ActionKind.REPEAT_RUN, None): (2.0, 0.86), (ActionKind.TURN_SCREW, 0.125): (2.8, both)}
    weighing = _priced(evaluate_candidates(learned.posterior, confidence, learned.now), figures)
    options = [dataclasses.replace(w, runs_there=tried) for w in weighing.options]
    choice = choose(dataclasses.replace(weighing, options=options), confidence, installation)
    assert (choice.action.kind is ActionKind.TURN_SCREW) is taken
    assert (choice.why.code is ReasonCode.SURE_WHERE_THIS_IS_NOT) is taken
    assert (choice.action.cause is InspectCause.NOT_TO_BE_SETTLED) is not taken


@pytest.mark.parametrize(("lean", "likelier", "told"), [(True, 0.9, True), (True, 0.65, False), (False, 0.9, False)])
@pytest.mark.parametrize("probes", [1, 4])
def test_what_the_lean_limit_keeps_at_the_edge_is_told(
    recorded: Recommender, installation: Installation, lean: bool, likelier: float, told: bool, probes: int
) -> None:
    """Where a turn leaner would be right but for the lean limit, that is said, and not that a needle would help."""
    probed = dataclasses.replace(installation, engine=dataclasses.replace(installation.engine, egt_probes=probes))
    learned = recorded.learn(installation, [_run(100, IdleQuality.SLIGHTLY_LEAN, 0)])
    full = dataclasses.replace(learned.confidence.full_throttle, chance_in_band=0.6, confirmed=False)
    confidence = dataclasses.replace(learned.confidence, runs_here=6, full_throttle=full)
    weighing = _priced(
        evaluate_candidates(learned.posterior, confidence, learned.now), {(ActionKind.REPEAT_RUN, None): (9.0, 0.6)}
    )
    options = []
    for w in weighing.options:
        candidate = w.candidate
        if candidate.action.kind is ActionKind.TURN_SCREW and (candidate.action.turns or 0.0) < 0 and lean:
            prediction = dataclasses.replace(candidate.prediction, chance_full_throttle=likelier, lean_chance=0.06)
            refused = Refusal(RefusalCode.LEAN_OF_PEAK, 0.06, 0.03, 0.05)
            candidate = dataclasses.replace(candidate, refused=refused, prediction=prediction)
        options.append(dataclasses.replace(w, candidate=candidate))
    action = choose(dataclasses.replace(weighing, options=options), confidence, probed).action
    assert action.cause is InspectCause.NOT_TO_BE_SETTLED
    assert action.inspection is not None
    held = HeldBack(-0.125, likelier, 0.06, 0.05, unseen_cylinders=probes < 4)
    assert action.inspection.held_back == (held if told else None)


@pytest.mark.parametrize("stage", [Stage.FULL_THROTTLE, Stage.IDLE_MIXTURE, Stage.IDLE_SPEED])
@pytest.mark.parametrize(
    ("runs", "seen", "code"),
    [
        (1, True, RefusalCode.ONE_RUN_IS_NOT_ENOUGH),
        (2, True, None),
        (2, False, RefusalCode.IDLE_NOT_SEEN),
    ],
)
def test_a_needle_is_left_to_its_price_after_two_runs(
    confidence: Confidence, stage: Stage, runs: int, seen: bool, code: RefusalCode | None
) -> None:
    """A single run condemns no needle, an idle that was not heard neither; beyond that the price decides."""
    heard = dataclasses.replace(confidence.idle_mixture, observed=seen, chance_in_band=0.8)
    now = dataclasses.replace(confidence, stage=stage, runs=runs, idle_mixture=heard)
    said = candidates._needle_refusal(now)
    assert (said.code if said else None) is code


def test_settings_are_known_again(unlearned: Recommender, installation: Installation) -> None:
    """Turned to and fro by tenths, or with a needle changed and changed back, runs are counted at the same setting."""
    fine = dataclasses.replace(installation, limits=StepLimits(quantum_turns=0.1, largest_turns=0.2))
    log: list[Entry] = [_run(170, IdleQuality.SMOOTH, 30)]
    for turns in (0.1, 0.1, 0.1, -0.1, -0.1, 0.1, -0.1):
        log += [TurnScrew(turns), _run(170, IdleQuality.SMOOTH, 30)]
    learned = unlearned.learn(fine, log)
    there = {
        w.candidate.action.turns: w.runs_there
        for w in evaluate_candidates(learned.posterior, learned.confidence, learned.now).options
    }
    assert there[0.1] == 3
    assert there[-0.1] == 1
    start = start_position(installation)
    other = start.after(ChangeNeedle("taper 29.4"), installation)
    back = other.after(ChangeNeedle(start.needle), installation)
    assert back != start  # its mark was set afresh
    assert candidates._alike(back, start)
    assert not candidates._alike(other, start)
    assert not candidates._alike(start.after(ChangePart(Part.PROPELLER), installation), start)
    assert not candidates._alike(start.after(TurnScrew(0.125), installation), start)
