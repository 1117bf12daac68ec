"""The choice of the next step.

Full throttle, idle mixture and idle speed are one problem: the step with the lowest price in runs
(`taperwise.model.design.look_ahead`) is sought among those that may be suggested, and the smallest of those nearly as
good, and nearly as likely to be right, is chosen; of equals the one whose run teaches most.
"""

from dataclasses import dataclass

from taperwise.model.design import actions
from taperwise.model.design.candidates import CandidateSet, EvaluatedCandidate
from taperwise.model.design.ideal_needle import ideal_needle
from taperwise.model.design.runs_to_finish import seldom_finishes
from taperwise.shared.reasons import HeldBack, InspectCause, Inspection, Reason, ReasonCode, RefusalCode
from taperwise.shared.recommendation import Action, ActionKind, Confidence, MostInformative, Stage
from taperwise.shared.records import Installation

__all__ = ["Choice", "choose", "most_informative", "no_needle_fits"]

_NEAR_RUNS = 0.15  # expected runs within which two steps are as good: of the price, as much is chance
_NEAR_WORTH = 0.1  # within which two steps as good are as promising
_RUNS_THAT_CONDEMN_ALL = 3  # runs after which every needle on hand may be given up
_FIRST = 0.5  # runs that a largest step away from the full-throttle band counts for
_ENOUGH_RUNS = 6  # at one setting, after which another one settles nothing
_CLEARLY = 0.1  # chance of full throttle by which a turn is likelier right
_TO_AND_FRO = 3  # runs at each of two settings, after which going back once more settles nothing
_NO_SPEED_FITS = 0.1  # best chance of any setting below which the idle speed is given up, both mixtures being right
_LIKELY_RIGHT, _FAR_LESS = 0.5, 0.3  # chance of both ends here, and how much less is far less with another needle


@dataclass(frozen=True)
class Choice:
    """The chosen action with its candidate, and the reason."""

    action: Action
    chosen: EvaluatedCandidate
    why: Reason


def choose(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> Choice:
    """Choose among weighed candidates.

    Parameters
    ----------
    weighing : CandidateSet
    confidence : Confidence
    installation : Installation
    """
    options, repeat = weighing.options, weighing.options[0]
    stage = confidence.stage
    parts = {
        Stage.FULL_THROTTLE: confidence.full_throttle,
        Stage.IDLE_MIXTURE: confidence.idle_mixture,
        Stage.IDLE_SPEED: confidence.idle_speed,
    }
    seen = confidence.runs_here and parts[stage].observed and weighing.rise_read
    if repeat.candidate.refused is None and not seen:
        return Choice(repeat.candidate.action, repeat, Reason(ReasonCode.NOT_SEEN_YET))
    if not weighing.rise_read:
        return _richer_first(options, installation)
    hopeless = no_needle_fits(weighing, confidence, installation)
    if hopeless is not None:
        return Choice(hopeless, repeat, Reason(ReasonCode.NO_NEEDLE_FITS))
    if _no_speed_fits(weighing, confidence):
        return Choice(_as_near_as_it_comes(weighing, confidence, installation), repeat, Reason(ReasonCode.NOT_SETTLED))
    allowed = [w for w in options if w.candidate.refused is None and not _for_the_worse(w, confidence)]
    safe = _safe(allowed, installation)
    if stage is not Stage.FULL_THROTTLE and _is_lean(repeat) and safe:
        # a turn, not another needle: full throttle is right, but for the chance of a lean cylinder
        return Choice(safe[0].candidate.action, safe[0], Reason(ReasonCode.RICHER_TO_BE_SAFE))
    if not allowed and confidence.runs_here >= _TO_AND_FRO:
        return Choice(_as_near_as_it_comes(weighing, confidence, installation), repeat, Reason(ReasonCode.NOT_SETTLED))
    if not allowed:
        return Choice(repeat.candidate.action, repeat, Reason(ReasonCode.ALL_REFUSED))
    costs = [_cost(w, stage, installation) for w in allowed]
    useful = [(w, x) for w, x in zip(allowed, costs, strict=True) if x <= min(costs) + _NEAR_RUNS]
    best = max(w.worth for w, _ in useful)
    useful = [(w, x) for w, x in useful if w.worth >= best - _NEAR_WORTH]
    chosen, _ = min(useful, key=lambda each: (each[0].size, -each[0].nats))
    if seldom_finishes(weighing.runs_made, chosen.price) and not _is_lean(repeat):
        return Choice(_too_far(weighing, confidence, installation), repeat, Reason(ReasonCode.TOO_FAR_TO_GO))
    if chosen is repeat and confidence.runs_here >= _ENOUGH_RUNS:
        # what runs here do not settle another setting may: one that is as good as sure, and not tried as often
        sure = [(w, x) for w, x in zip(allowed, costs, strict=True) if _sure(w, installation)]
        chosen, _ = min(sure, key=lambda each: each[1], default=(repeat, 0.0))
    if chosen is repeat and confidence.runs_here >= _ENOUGH_RUNS:
        near_it = _as_near_as_it_comes(weighing, confidence, installation)
        return Choice(near_it, repeat, Reason(ReasonCode.NOT_SETTLED))
    if chosen is not repeat and min(chosen.runs_there, confidence.runs_here) >= _TO_AND_FRO:
        near_it = _as_near_as_it_comes(weighing, confidence, installation)
        return Choice(near_it, repeat, Reason(ReasonCode.TO_AND_FRO))
    alike = [w for w, _ in useful]
    return Choice(chosen.candidate.action, chosen, _because(chosen, alike, weighing, confidence, installation))


def most_informative(weighing: CandidateSet, chosen: EvaluatedCandidate) -> MostInformative | None:
    """Of the candidates that may be suggested the one whose run teaches most; None where none was simulated."""
    told = [w for w in weighing.options if w.candidate.refused is None and w.candidate.information is not None]
    if not told:
        return None
    most = max(told, key=lambda w: w.nats)
    information = most.candidate.information
    assert information is not None  # noqa: S101 - narrows what was chosen by
    return MostInformative(most.candidate.action, information, max(0.0, most.nats - chosen.nats))


def _because(
    chosen: EvaluatedCandidate,
    alike: list[EvaluatedCandidate],
    weighing: CandidateSet,
    confidence: Confidence,
    installation: Installation,
) -> Reason:
    """Why this one and no other."""
    if chosen.candidate.action.kind is ActionKind.CHANGE_NEEDLE and confidence.stage is Stage.FULL_THROTTLE:
        return Reason(ReasonCode.FITTED_NEEDLE_CANNOT)
    if not any(w is chosen for w in alike):
        return Reason(ReasonCode.SURE_WHERE_THIS_IS_NOT)
    if len(alike) == 1:
        return Reason(ReasonCode.ONLY_STEP_AS_GOOD)
    return Reason(ReasonCode.SMALLEST_STEP_AS_GOOD, len(alike))


def _sure(w: EvaluatedCandidate, installation: Installation) -> bool:
    return w.promise >= installation.limits.confirm_chance and w.runs_there < _TO_AND_FRO


def _as_near_as_it_comes(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> Action:
    if confidence.stage is Stage.IDLE_SPEED:
        at_an_edge = Inspection(
            InspectCause.NOT_TO_BE_SETTLED,
            chance_now=confidence.idle_speed.chance_in_band or 0.0,
            idle_rpm_band=installation.targets.idle_rpm,
        )
    else:
        at_an_edge = Inspection(
            InspectCause.NOT_TO_BE_SETTLED,
            best_chance=max((r.chance_both for r in weighing.reaches.values()), default=0.0),
            chance_now=confidence.chance_both,
            ideal_slope=ideal_needle(confidence, installation),
            held_back=_held_back(weighing, confidence, installation),
        )
    return actions.inspect(at_an_edge)


def _too_far(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> Action:
    """What is likely right may be accepted; else something is to be looked for."""
    if confidence.chance_both >= _LIKELY_RIGHT:
        return _as_near_as_it_comes(weighing, confidence, installation)
    best = max(weighing.reaches.values(), key=lambda r: r.chance_both)
    return actions.inspect(
        Inspection(
            InspectCause.TOO_FAR_TO_GO,
            best_needle=best.needle,
            best_chance=best.chance_both,
            chance_now=confidence.chance_both,
            ideal_slope=ideal_needle(confidence, installation) if best.chance_both < _LIKELY_RIGHT else None,
        )
    )


def _held_back(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> HeldBack | None:
    """The smallest turn leaner after which full throttle is clearly likelier right, if the lean limit forbids it."""
    now = confidence.full_throttle.chance_in_band or 0.0
    found = [
        w
        for w in weighing.options
        if w.candidate.action.kind is ActionKind.TURN_SCREW
        and _is_lean(w)
        and w.candidate.prediction.chance_full_throttle >= now + _CLEARLY
    ]
    if confidence.full_throttle.confirmed or not found:
        return None
    nearest = min(found, key=lambda w: w.size)
    engine = installation.engine
    return HeldBack(
        nearest.candidate.action.turns or 0.0,
        nearest.candidate.prediction.chance_full_throttle,
        nearest.candidate.prediction.lean_chance,
        installation.limits.lean_chance,
        (engine.egt_probes or 1) < engine.cylinders,
    )


def _cost(w: EvaluatedCandidate, stage: Stage, installation: Installation) -> float:
    """What is left to be done after a candidate, in runs.

    Full throttle comes first: while it is out, the way to its band counts by itself, even where a needle will have to
    be changed later on.
    """
    if stage is Stage.FULL_THROTTLE:
        return w.price + _FIRST * w.away / installation.limits.largest_turns
    return w.price


def _richer_first(options: list[EvaluatedCandidate], installation: Installation) -> Choice:
    """Full throttle was never read, and reading it here may find it lean: the least richer turn that makes it safe.

    Where none does, the largest.
    """
    largest = max((w for w in options if w.candidate.action.effect == "richer"), key=lambda w: w.size)
    chosen = next(iter(_safe(options, installation)), largest)
    return Choice(chosen.candidate.action, chosen, Reason(ReasonCode.RICHER_BEFORE_READING))


def _no_speed_fits(weighing: CandidateSet, confidence: Confidence) -> bool:
    """Whether both mixtures are right here and no setting on hand makes the idle speed right with them."""
    at_speed = confidence.stage is Stage.IDLE_SPEED and confidence.idle_speed.observed
    return at_speed and weighing.all_chance < _NO_SPEED_FITS


def _for_the_worse(w: EvaluatedCandidate, confidence: Confidence) -> bool:
    """Whether it gives up a setting that is likely right for a needle that is far less so, as happens where the lean
    limit forbids all else.
    """
    changes = w.candidate.action.kind is ActionKind.CHANGE_NEEDLE
    return changes and _LIKELY_RIGHT <= confidence.chance_both > w.promise + _FAR_LESS


def _is_lean(w: EvaluatedCandidate) -> bool:
    return w.candidate.refused is not None and w.candidate.refused.code is RefusalCode.LEAN_OF_PEAK


def _safe(options: list[EvaluatedCandidate], installation: Installation) -> list[EvaluatedCandidate]:
    """Richer turns that bring the lean chance to its limit, the least first."""
    richer = [w for w in options if w.candidate.action.effect == "richer"]
    safe = [w for w in richer if w.candidate.prediction.lean_chance <= installation.limits.lean_chance]
    return sorted(safe, key=lambda w: w.size)


def no_needle_fits(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> Action | None:
    """The action when idle is out and no needle on hand can mend it, as sure as "tuned" is; None while one may."""
    if confidence.stage is Stage.TUNED or not weighing.rise_read or not confidence.idle_mixture.observed:
        return None
    if confidence.runs < _RUNS_THAT_CONDEMN_ALL:
        return None
    best = max(weighing.reaches.values(), key=lambda r: r.chance_both)
    if weighing.any_chance > 1.0 - installation.limits.confirm_chance:
        return None
    return actions.inspect(
        Inspection(
            InspectCause.NO_NEEDLE_FITS,
            best_needle=best.needle,
            best_chance=best.chance_both,
            ideal_slope=ideal_needle(confidence, installation),
        )
    )
