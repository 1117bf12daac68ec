"""A tuning that has taken many runs and still looks long is ended; what may run lean is made safe first."""

import dataclasses
from collections.abc import Sequence

import pytest

from taperwise.model.design.candidates import CandidateSet, evaluate_candidates
from taperwise.model.design.runs_to_finish import runs_made, seldom_finishes
from taperwise.model.design.selection import choose
from taperwise.model.inference.dataset import gather
from taperwise.model.recommender import Recommender
from taperwise.shared.reasons import InspectCause, ReasonCode, Refusal, RefusalCode
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Acknowledge, ChangeNeedle, ChangePart, Entry, Installation, Part, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_AIR = Air(288.15, 101_325.0)
_RICHER = TurnScrew(0.125)


def _run(cylinders: int = 1) -> Run:
    rise = ExhaustRise(RiseSeen.PEAK, 150 / 1.8, spread_kelvin=5.0 if cylinders > 1 else None, cylinders=cylinders)
    return Run(_AIR, rise=rise, idle_quality=IdleQuality.SLIGHTLY_LEAN)


_IDLE_ALONE = Run(_AIR, idle_quality=IdleQuality.SMOOTH)
_FOUR = [_run(), _RICHER] * 4


@pytest.mark.parametrize(
    ("log", "runs"),
    [
        ([], 0),
        (_FOUR, 4),
        ([*_FOUR, ChangeNeedle("taper 30.6", 0.0), _run()], 5),  # another needle is the same tuning
        ([*_FOUR, ChangePart(Part.PROPELLER, "another pitch"), _run()], 1),
        ([*_FOUR, Acknowledge("a blocked filter"), _run(), _RICHER, _run()], 2),
        ([*_FOUR, _run(4), _RICHER, _run(4)], 2),  # since all cylinders were read
        ([_run(4), _RICHER] * 4 + [_run(1), _RICHER, _run(1)], 6),  # until probes failed
        ([*_FOUR, _IDLE_ALONE], 4),
        ([_run()] * 30 + [_RICHER, _run()], 4),  # the many are checks of a tuned engine
    ],
    ids=["none", "steps", "needle", "propeller", "cause", "more probes", "fewer probes", "idle alone", "checks"],
)
def test_runs_of_this_tuning_are_counted(installation: Installation, log: Sequence[Entry], runs: int) -> None:
    """What sends a tuner back to the start begins another count, and so does what shows more than before."""
    assert runs_made(gather(installation, log)) == runs


def _weighing(weighing: CandidateSet, runs: int, price: float) -> CandidateSet:
    """The weighing with so many runs made, every step that is not refused at the same price."""
    options = [
        dataclasses.replace(w, candidate=dataclasses.replace(w.candidate, price_runs=price))
        if w.candidate.refused is None
        else w
        for w in weighing.options
    ]
    return dataclasses.replace(weighing, options=options, runs_made=runs)


@pytest.mark.parametrize(("runs", "price", "ended"), [(12, 6.5, True), (11, 6.5, False), (12, 5.5, False)])
@pytest.mark.parametrize("lean", [False, True])
@pytest.mark.parametrize(("best_chance", "slope_told"), [(0.51, False), (0.49, True)])
def test_a_long_tuning_that_stays_long_is_ended(
    recorded: Recommender, installation: Installation, runs: int, price: float, ended: bool, lean: bool,
    best_chance: float, slope_told: bool,
) -> None:  # fmt: skip
    """Its end says so, unless the setting may run lean: then the next step is what it would be without the count. The
    slope that would fit is told where no needle on hand is likely to.
    """
    learned = recorded.learn(installation, [_run()])
    weighing = evaluate_candidates(learned.posterior, learned.confidence, learned.now)
    if lean:
        repeat = weighing.options[0]
        refused = dataclasses.replace(repeat.candidate, refused=Refusal(RefusalCode.LEAN_OF_PEAK, 0.08, 0.08, 0.05))
        weighing.options[0] = dataclasses.replace(repeat, candidate=refused)
    confidence = dataclasses.replace(learned.confidence, chance_both=0.49)
    reaches = {n: dataclasses.replace(r, chance_both=best_chance if n == "taper 30.6" else 0.2)
               for n, r in weighing.reaches.items()}  # fmt: skip
    weighing = dataclasses.replace(weighing, reaches=reaches)
    choice = choose(_weighing(weighing, runs, price), confidence, installation)
    assert seldom_finishes(runs, price) is ended
    assert (choice.why.code is ReasonCode.TOO_FAR_TO_GO) is (ended and not lean)
    if ended and not lean:
        told = choice.action.inspection
        assert told is not None
        assert (told.cause, told.chance_now) == (InspectCause.TOO_FAR_TO_GO, 0.49)
        assert (told.best_needle, told.best_chance) == ("taper 30.6", best_chance)
        assert (told.ideal_slope is not None) is slope_told
    else:
        assert choice.action.kind is ActionKind.TURN_SCREW


def test_what_is_likely_right_may_be_accepted_at_the_end(recorded: Recommender, installation: Installation) -> None:
    """Where the setting is likelier right than not, the end is that of any setting that runs do not settle."""
    learned = recorded.learn(installation, [_run()])
    weighing = evaluate_candidates(learned.posterior, learned.confidence, learned.now)
    confidence = dataclasses.replace(learned.confidence, chance_both=0.51)
    choice = choose(_weighing(weighing, 12, 6.5), confidence, installation)
    assert (choice.action.cause, choice.why.code) == (InspectCause.NOT_TO_BE_SETTLED, ReasonCode.TOO_FAR_TO_GO)
