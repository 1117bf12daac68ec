"""The choice of the next step.

Full throttle and idle mixture are one problem: the step with the lowest price in runs
(`taperwise.model.design.look_ahead`) is sought among those that may be suggested, and the smallest of those nearly as
good, and nearly as likely to be right at both ends, is chosen; of equals the one whose run teaches most. Idle speed is
a matter of the chance itself.
"""

from dataclasses import dataclass

import numpy as np

from taperwise.model.design.candidates import MAY_STILL_DO, RUNS_THAT_CONDEMN, CandidateSet, EvaluatedCandidate
from taperwise.shared.recommendation import Action, ActionKind, Confidence, InspectCause, MostInformative, Stage
from taperwise.shared.records import Installation

__all__ = ["Choice", "choose", "ideal_slope", "most_informative", "no_needle_fits"]

_NEAR_RUNS = 0.1  # expected runs within which two steps are as good
_NEAR_PROMISE = 0.1  # chance of both ends right within which two steps as good are as promising
_FIRST = 0.5  # runs that a largest step away from the full-throttle band counts for
_NEAR_CHANCE = 0.02
_ENOUGH_RUNS = 6  # at one setting, after which another one settles nothing
_TO_AND_FRO = 3  # runs at each of two settings, after which going back once more settles nothing
_FAR_RPM = 100.0  # idle speed this far out of its band counts like a lost chance of 1
_HOPELESS = {Stage.FULL_THROTTLE: 0.05, Stage.IDLE_MIXTURE: 0.1}
"""Chance of any setting below which no needle on hand is called fitting, by stage."""


@dataclass(frozen=True)
class Choice:
    """The chosen action with its candidate, and the reason in one sentence."""

    action: Action
    chosen: EvaluatedCandidate
    why: str


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
    if not parts[stage].observed and repeat.candidate.refused is None:
        return Choice(repeat.candidate.action, repeat, _UNSEEN[stage])
    hopeless = no_needle_fits(weighing, confidence, installation)
    if hopeless is not None:
        return Choice(hopeless, repeat, _HOPELESS_WHY)
    allowed = [w for w in options if w.candidate.refused is None]
    if not allowed:
        return Choice(repeat.candidate.action, repeat, "Every other step is refused; the reasons stand beside each.")
    costs = [_cost(w, stage, installation) for w in allowed]
    near = _NEAR_CHANCE if stage is Stage.IDLE_SPEED else _NEAR_RUNS
    useful = [(w, x) for w, x in zip(allowed, costs, strict=True) if x <= min(costs) + near]
    if stage is not Stage.IDLE_SPEED:
        best = max(w.promise for w, _ in useful)
        useful = [(w, x) for w, x in useful if w.promise >= best - _NEAR_PROMISE]
    chosen, _ = min(useful, key=lambda each: (each[0].size, -each[0].nats))
    if chosen is repeat and confidence.runs_here >= _ENOUGH_RUNS and stage is not Stage.IDLE_SPEED:
        # what runs here do not settle another setting may: one that is as good as sure, and not tried as often
        sure = [(w, x) for w, x in zip(allowed, costs, strict=True) if _sure(w, installation)]
        chosen, _ = min(sure, key=lambda each: each[1], default=(repeat, 0.0))
    if chosen is repeat and confidence.runs_here >= _ENOUGH_RUNS:
        return Choice(_as_near_as_it_comes(weighing, confidence, installation), repeat, _NOT_SETTLED)
    if chosen is not repeat and min(chosen.runs_there, confidence.runs_here) >= _TO_AND_FRO:
        return Choice(_as_near_as_it_comes(weighing, confidence, installation), repeat, _TURNED_TO_AND_FRO)
    alike = [w for w, _ in useful]
    because = _because(chosen, alike, weighing, confidence, installation)
    return Choice(chosen.candidate.action, chosen, _reason(chosen, confidence, because))


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
) -> str:
    """Why this one and no other."""
    if chosen.candidate.action.kind is ActionKind.CHANGE_NEEDLE:
        fitted = weighing.reaches.get(confidence.fitted_needle)
        if fitted is not None and fitted.chance_both > MAY_STILL_DO and _sure(chosen, installation):
            return "the needle that is fitted may do, but runs have not shown it, and this one is as good as sure to"
        if confidence.stage is Stage.FULL_THROTTLE:
            return "the needle that is fitted cannot make both ends right, so turning its screw first would be in vain"
    if not any(w is chosen for w in alike):
        return "many runs at this setting have not settled it, and this one is as good as sure to be right"
    return "it is the only step as good" if len(alike) == 1 else f"it is the smallest of {len(alike)} steps as good"


def _sure(w: EvaluatedCandidate, installation: Installation) -> bool:
    return w.promise >= installation.limits.confirm_chance and w.runs_there < _TO_AND_FRO


_HOPELESS_WHY = "Turning and running on would be in vain: full throttle and idle ask for a slope that is not on hand."
_NOT_SETTLED = "Several runs at this setting have not settled it, and no other step promises more."
_TURNED_TO_AND_FRO = (
    "The most promising step leads back to a setting that several runs have not shown right, as several here have not."
)


def _as_near_as_it_comes(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> Action:
    if confidence.stage is Stage.IDLE_SPEED:
        low, high = installation.targets.idle_rpm
        text = (
            f"The idle speed stays at an edge of its band of {low:.0f} to {high:.0f} rpm (right with a chance of "
            f"{confidence.idle_speed.chance_in_band or 0.0:.0%}); decide"
        )
    else:
        best = max((r.chance_both for r in weighing.reaches.values()), default=0.0)
        further = f", nowhere with more than {best:.0%}" if best > confidence.chance_both else ""
        text = (
            f"This is as near as the needles on hand come: both ends are right with a chance of "
            f"{confidence.chance_both:.0%}{further}, at the edge of a band. A needle of "
            f"{ideal_slope(confidence, installation)} would sit better; decide"
        )
    return Action(
        ActionKind.INSPECT,
        f"{text} with the licensed person whether it may stay so. More runs at this setting teach little.",
        cause=InspectCause.NOT_TO_BE_SETTLED,
    )


_UNSEEN = {
    Stage.FULL_THROTTLE: "Nothing has been seen at full throttle with this setting yet: lean slowly from full rich "
    "and note the rise to peak.",
    Stage.IDLE_MIXTURE: "The idle has not been judged with this setting yet: note how it idles, and the rise in rpm "
    "on slow leaning if you can.",
    Stage.IDLE_SPEED: "The idle speed has not been read with this setting yet.",
}


def _cost(w: EvaluatedCandidate, stage: Stage, installation: Installation) -> float:
    """What is left to be done after a candidate; smaller is better (idle speed: less the chance, else in runs).

    Full throttle comes first: while it is out, the way to its band counts by itself, even where a needle will have to
    be changed later on.
    """
    if stage is Stage.FULL_THROTTLE:
        return w.price + _FIRST * w.away / installation.limits.largest_turns
    if stage is not Stage.IDLE_SPEED:
        return w.price
    low, high = installation.targets.idle_rpm
    out = np.maximum(np.maximum(low - w.outlook.idle_rpm, w.outlook.idle_rpm - high), 0.0)
    return float(np.mean(out) / _FAR_RPM - np.mean(w.outlook.speed_right & w.outlook.idle_right))


def no_needle_fits(weighing: CandidateSet, confidence: Confidence, installation: Installation) -> Action | None:
    """The action when idle is out and no needle on hand is likely to mend it; None while one may."""
    hopeless = _HOPELESS.get(confidence.stage)
    if hopeless is None or not weighing.reaches or not confidence.idle_mixture.observed:
        return None
    if confidence.stage is Stage.FULL_THROTTLE and confidence.runs < RUNS_THAT_CONDEMN:
        return None
    best = max(weighing.reaches.values(), key=lambda r: r.chance_both)
    if weighing.any_chance >= hopeless:
        return None
    return Action(
        ActionKind.INSPECT,
        f"No needle on hand is likely to make both ends right (the best, {best.needle}, with a chance of "
        f"{best.chance_both:.0%}): first look for an induction leak, a sticking slide and a mark set wrong; if all is "
        f"well, a needle of {ideal_slope(confidence, installation)} would fit.",
        cause=InspectCause.NO_NEEDLE_FITS,
    )


def ideal_slope(confidence: Confidence, installation: Installation) -> str:
    """The slope that would be right at both ends, and where it lies among the needles on hand."""
    fitted = installation.needle(confidence.fitted_needle).taper_slope
    low, slope, high = (
        fitted + x
        for x in (confidence.taper_misfit.low_90, confidence.taper_misfit.median, confidence.taper_misfit.high_90)
    )
    text = f"about {slope * 1e3:.1f} mm/m or {slope:.4f} in/in (90 %: {low * 1e3:.1f} to {high * 1e3:.1f} mm/m)"
    ordered = sorted(installation.needles, key=lambda n: n.taper_slope)
    if slope < ordered[0].taper_slope:
        return f"{text}, shallower than your {ordered[0].label},"
    if slope > ordered[-1].taper_slope:
        return f"{text}, steeper than your {ordered[-1].label},"
    above = next(n for n in ordered if n.taper_slope >= slope)
    below = [n for n in ordered if n.taper_slope <= slope][-1]
    return text if above is below else f"{text}, between your {below.label} and {above.label},"


def _reason(w: EvaluatedCandidate, confidence: Confidence, because: str) -> str:
    p = w.candidate.prediction
    if confidence.stage is Stage.FULL_THROTTLE:
        now = confidence.full_throttle.chance_in_band or 0.0
        state = f"Full throttle is in its band with a chance of {now:.0%}"
        after = f"after this it would be with {p.chance_full_throttle:.0%}"
    elif confidence.stage is Stage.IDLE_MIXTURE:
        now = confidence.idle_mixture.chance_in_band or 0.0
        state = f"The idle mixture is right with a chance of {now:.0%}, both ends with {confidence.chance_both:.0%}"
        after = f"after this both would be with {p.chance_both:.0%}"
    else:
        now = confidence.idle_speed.chance_in_band or 0.0
        state = f"The idle speed is in its band with a chance of {now:.0%}"
        after = f"after this it should read about {p.idle_rpm.median:.0f} rpm"
    return f"{state}; {after}; {because}."
