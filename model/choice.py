"""The choice of the next step.

Among the candidates that may be suggested, those are *useful* that leave the engine no further
from its target than the best of them does. Of the useful ones the run after which teaches most is
sought, and the smallest of those that teach nearly as much is chosen.
"""

from dataclasses import dataclass

import numpy as np

from model.candidates import CHANGE_COST, Weighed
from shared.advice import Action, ActionKind, Confidence, Information, Stage
from shared.records import Installation

__all__ = ["Choice", "choose", "near_equal", "no_needle_fits"]

_SLACK = {Stage.FULL_THROTTLE: 0.1, Stage.IDLE_MIXTURE: 0.02, Stage.IDLE_SPEED: 0.02, Stage.TUNED: 0.0}
_STEP_COST = 0.03  # chance given up per further screw step
_NEAR = 0.10  # share of the best information within which two candidates teach the same
_FAR_RPM = 100.0  # idle speed this far out of its band counts like a lost chance of 1
_HOPELESS = 0.1  # chance below which no needle on hand is called fitting


@dataclass(frozen=True)
class Choice:
    """The chosen action with its candidate, and the reason in one sentence."""

    action: Action
    chosen: Weighed
    why: str


def near_equal(nats: float, best: float, mcse: float) -> bool:
    """Whether a gain is within a tenth, or within the Monte Carlo error, of the best."""
    return nats >= best - max(_NEAR * best, mcse)


def choose(options: list[Weighed], confidence: Confidence, installation: Installation) -> Choice:
    """Choose among weighed candidates; the first of them is always the repeat.

    Parameters
    ----------
    options : list of Weighed
    confidence : Confidence
    installation : Installation
    """
    repeat = options[0]
    stage = confidence.stage
    parts = {
        Stage.FULL_THROTTLE: confidence.full_throttle,
        Stage.IDLE_MIXTURE: confidence.idle_mixture,
        Stage.IDLE_SPEED: confidence.idle_speed,
    }
    if not parts[stage].observed and repeat.candidate.refused is None:
        return Choice(repeat.candidate.action, repeat, _UNSEEN[stage])
    hopeless = no_needle_fits(options, confidence)
    if hopeless is not None:
        return Choice(hopeless, repeat, f"{hopeless.instruction.split(':')[0]}.")
    allowed = [w for w in options if w.candidate.refused is None]
    if not allowed:
        return Choice(repeat.candidate.action, repeat, "Every other step is refused; the reasons stand beside each.")
    worth = [_worth(w, stage, installation) for w in allowed]
    useful = [w for w, x in zip(allowed, worth, strict=True) if x >= max(worth) - _SLACK[stage]]
    chosen = min(_teaching(useful, stage), key=lambda w: (w.size, -_worth(w, stage, installation)))
    return Choice(chosen.candidate.action, chosen, _reason(chosen, confidence, len(useful)))


def _teaching(useful: list[Weighed], stage: Stage) -> list[Weighed]:
    """Those that teach nearly as much as the best; idle speed teaches nothing of the mixture, so all."""
    if stage is Stage.IDLE_SPEED:
        return useful
    best = max((w.candidate.information for w in useful), key=lambda i: i.nats)
    return [w for w in useful if near_equal(w.candidate.information.nats, best.nats, best.mcse)]


_UNSEEN = {
    Stage.FULL_THROTTLE: "Nothing has been seen at full throttle with this setting yet: lean slowly from full rich "
    "and note the rise to peak.",
    Stage.IDLE_MIXTURE: "The idle has not been judged with this setting yet: note how it idles, and the rise in rpm "
    "on slow leaning if you can.",
    Stage.IDLE_SPEED: "The idle speed has not been read with this setting yet.",
}


def _worth(w: Weighed, stage: Stage, installation: Installation) -> float:
    """How good things stand after a candidate; larger is better (full throttle: in screw steps, else in chance)."""
    c, p = w.candidate, w.candidate.prediction
    if stage is Stage.FULL_THROTTLE:
        return -c.steps_left
    if stage is Stage.IDLE_SPEED:
        low, high = installation.targets.idle_rpm
        out = np.maximum(np.maximum(low - w.outlook.idle_rpm, w.outlook.idle_rpm - high), 0.0)
        return float(np.mean(w.outlook.speed_right & w.outlook.idle_right) - np.mean(out) / _FAR_RPM)
    if w.reach is None:
        return 0.0
    steps = 0.0 if w.changes else abs(w.reach.turns - p.position_turns) / installation.limits.largest_turns
    later = w.reach.chance_both - _STEP_COST * steps
    at_once = w.reach.chance_both if w.changes else p.chance_both
    return 0.5 * (later + at_once) - CHANGE_COST * w.changes


def no_needle_fits(options: list[Weighed], confidence: Confidence) -> Action | None:
    """The action when idle is out and no needle on hand is likely to mend it; None while one may."""
    if confidence.stage is not Stage.IDLE_MIXTURE:
        return None
    best = max((w.reach for w in options if w.reach is not None), key=lambda r: r.chance_both)
    if best.chance_both >= _HOPELESS:
        return None
    misfit = confidence.taper_misfit
    wanted = "steeper" if misfit.median > 0 else "shallower"
    return Action(
        ActionKind.INSPECT,
        f"No needle on hand is likely to make both ends right (the best, {best.needle}, with a chance of "
        f"{best.chance_both:.0%}): first look for an induction leak, a sticking slide and a mark set wrong; if all is "
        f"well, a needle about {abs(misfit.median) * 1e3:.1f} mm/m {wanted} than the fitted one would fit.",
    )


def _nats(i: Information) -> str:
    return f"{max(i.nats, 0.0):.2f} ± {i.mcse:.2f} nats"


def _reason(w: Weighed, confidence: Confidence, useful: int) -> str:
    c, p = w.candidate, w.candidate.prediction
    teaches = f", and the run after it is expected to teach {_nats(c.information)}"
    if confidence.stage is Stage.FULL_THROTTLE:
        now = confidence.full_throttle.chance_in_band or 0.0
        state = f"Full throttle is in its band with a chance of {now:.0%}"
        after = f"after this it would be with {p.chance_full_throttle:.0%}"
    elif confidence.stage is Stage.IDLE_MIXTURE:
        now = confidence.idle_mixture.chance_in_band or 0.0
        state = f"The idle mixture is right with a chance of {now:.0%}, both ends with {confidence.chance_both:.0%}"
        after = f"after this both would be with {p.chance_both:.0%}"
        if c.action.kind is ActionKind.CHANGE_NEEDLE and w.reach is not None and w.changes > 1:
            after += f", and needle {w.reach.needle} further on with {w.reach.chance_both:.0%}"
    else:
        now = confidence.idle_speed.chance_in_band or 0.0
        state, teaches = f"The idle speed is in its band with a chance of {now:.0%}", ""
        after = f"after this it should read about {p.idle_rpm.median:.0f} rpm"
    choice = "it is the only useful step" if useful == 1 else f"it is the smallest of {useful} useful steps"
    return f"{state}; {after}; {choice}{teaches}."
