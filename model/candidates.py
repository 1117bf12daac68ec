"""Every action that could come next, with its figures and, where it may not be suggested, why."""

from dataclasses import dataclass, replace

import numpy as np

from model import wording
from model.evidence import Position
from model.ground_run import ground_run
from model.information import expected_information
from model.outlook import Outlook, Target, chance, full_throttle_window, look, target_at
from model.prediction import predict
from model.sampler import Posterior
from shared.advice import Action, ActionKind, Candidate, Confidence, Stage
from shared.limits import IdleStopStep, ScrewStep
from shared.records import ChangeNeedle, Installation

__all__ = ["CHANGE_COST", "Reach", "Weighed", "needle_reaches", "weigh"]

CHANGE_COST = 0.15
"""Chance of being right given up for a change of needle: far longer work than a turn, and back to the start."""

_SEARCH_TURNS = 1.25
"""How far around a position the best screw position is sought [turns]."""


_REACH_DRAWS = 1000


@dataclass(frozen=True)
class Reach:
    """How good it can get with one needle.

    Parameters
    ----------
    needle : str
    turns : float
        Screw position (from the mark) with the best chance that both ends are right [turns].
    chance_both : float
        That chance.
    """

    needle: str
    turns: float
    chance_both: float


@dataclass(frozen=True)
class Weighed:
    """A candidate with what the choice needs beyond its figures.

    Parameters
    ----------
    candidate : Candidate
    outlook : Outlook
        At the setting it leaves.
    size : float
        How large an intervention it is: turns of a screw; a change of needle counts as ten [turns].
    reach : Reach or None
        Of the best needle this candidate leads towards (for a screw step: the fitted one); None before
        idle is looked at.
    changes : int
        Changes of needle on the way there.
    """

    candidate: Candidate
    outlook: Outlook
    size: float
    reach: Reach | None = None
    changes: int = 0


def weigh(posterior: Posterior, confidence: Confidence, now: Outlook) -> list[Weighed]:
    """All candidates of the present stage, repeat first, then by size.

    Parameters
    ----------
    confidence : Confidence
    now : Outlook
        At the present position.
    """
    stage = confidence.stage
    installation = posterior.evidence.installation
    here = now.position
    options: list[tuple[Action, Position]] = [(wording.repeat_run(posterior.evidence.runs == 0), here)]
    if stage in (Stage.FULL_THROTTLE, Stage.IDLE_MIXTURE):
        options += _screw_options(installation, here)
    if stage in (Stage.IDLE_SPEED, Stage.TUNED):
        options += _stop_options(installation, here)
    ways: list[tuple[Reach | None, int]] = [(None, 0)] * len(options)
    if stage is Stage.IDLE_MIXTURE:
        reaches = needle_reaches(posterior, now)
        ways = [(reaches[here.needle], 0)] * len(options)
        for option, way in _needle_options(posterior, here, reaches):
            options.append(option)
            ways.append(way)
    outlooks = look(posterior, [position for _, position in options], now.ln_density)
    target = target_at(now, posterior)
    return [
        Weighed(
            _figures(posterior, confidence, now, target, action, outlook),
            outlook,
            10.0 if action.kind is ActionKind.CHANGE_NEEDLE else abs(action.turns or 0.0),
            *way,
        )
        for (action, _), outlook, way in zip(options, outlooks, ways, strict=True)
    ]


def _screw_options(installation: Installation, here: Position) -> list[tuple[Action, Position]]:
    steps = [ScrewStep(s * size, installation.limits) for size in installation.limits.steps() for s in (1, -1)]
    return [(wording.turn_screw(s, installation), replace(here, turns=here.turns + s.turns)) for s in steps]


def _stop_options(installation: Installation, here: Position) -> list[tuple[Action, Position]]:
    steps = [IdleStopStep(s * size, installation.limits) for size in installation.limits.steps() for s in (1, -1)]
    return [
        (wording.turn_idle_stop(s, installation), replace(here, idle_stop_turns=here.idle_stop_turns + s.turns))
        for s in steps
    ]


def needle_reaches(posterior: Posterior, now: Outlook) -> dict[str, Reach]:
    """For every needle on hand, the best screw position and its chance for both ends.

    A needle not fitted now is taken with its mark set afresh.
    """
    installation = posterior.evidence.installation
    thin = posterior.thinned(_REACH_DRAWS)
    here = now.position
    return {
        n.label: _reach(thin, here if n.label == here.needle else here.after(ChangeNeedle(n.label), installation), now)
        for n in installation.needles
    }


def _reach(posterior: Posterior, at: Position, now: Outlook) -> Reach:
    """The screw position with the best chance for both ends, on the richer side of the lean limit."""
    limits = posterior.evidence.installation.limits
    count = int(_SEARCH_TURNS / limits.quantum_turns)
    positions = [replace(at, turns=at.turns + i * limits.quantum_turns) for i in range(-count, count + 1)]
    outlooks = look(posterior, positions, now.ln_density)
    safe = [o for o in outlooks if chance(o.lean) <= limits.lean_chance] or outlooks[-1:]
    best = max(safe, key=lambda o: (round(chance(o.full_right & o.idle_right), 3), chance(o.full_right)))
    return Reach(at.needle, best.position.turns, chance(best.full_right & best.idle_right))


_Option = tuple[Action, Position]


def _needle_options(
    posterior: Posterior, here: Position, reaches: dict[str, Reach]
) -> list[tuple[_Option, tuple[Reach, int]]]:
    """A change to either neighbour, with the best needle on that side and the changes it takes to get there."""
    installation = posterior.evidence.installation
    slope = installation.needle(here.needle).taper_slope
    ordered = sorted(installation.needles, key=lambda n: n.taper_slope)
    sides = {
        "steeper": [n for n in ordered if n.taper_slope > slope],
        "shallower": [n for n in reversed(ordered) if n.taper_slope < slope],
    }
    options = []
    for effect, side in sides.items():
        if not side:
            continue
        first = reaches[side[0].label]
        action = wording.change_needle(first.needle, effect, first.turns, installation)
        position = here.after(ChangeNeedle(first.needle, first.turns), installation)
        along = [(reaches[n.label], i + 1) for i, n in enumerate(side)]
        best = max(along, key=lambda way: way[0].chance_both - CHANGE_COST * way[1])
        options.append(((action, position), best))
    return options


def _figures(
    posterior: Posterior, confidence: Confidence, now: Outlook, target: Target, action: Action, outlook: Outlook
) -> Candidate:
    evidence = posterior.evidence
    limits = evidence.installation.limits
    channels = frozenset({"rise", "idle_quality"} | (evidence.channels - {"idle_rpm"}))
    rng = np.random.default_rng([posterior.seed, 4])  # the same truths for every candidate
    lean_edge, rich_edge = full_throttle_window(outlook, posterior)
    away = np.maximum(np.maximum(lean_edge, -rich_edge), 0.0)
    return Candidate(
        action=action,
        information=expected_information(ground_run(outlook, posterior, target, channels), rng),
        prediction=predict(outlook, posterior),
        steps_left=float(np.mean(np.ceil(away / limits.largest_turns - 1e-9))),
        refused=_refusal(confidence, now, action, outlook, limits.lean_chance),
    )


def _first_run(confidence: Confidence, action: Action) -> bool:
    """Whether this is the very first run: nothing but the prior speaks against it, and nothing else can be learned."""
    return confidence.runs == 0 and action.kind is ActionKind.REPEAT_RUN


def _refusal(confidence: Confidence, now: Outlook, action: Action, outlook: Outlook, most: float) -> str | None:
    if _first_run(confidence, action):
        return None
    lean, lean_now = chance(outlook.lean), chance(now.lean)
    richer = action.kind is ActionKind.TURN_SCREW and (action.turns or 0.0) > 0
    if lean > most and not richer:
        return (
            f"the chance of running lean of peak at full throttle would be {lean:.0%}, above the limit of {most:.0%}"
            + (f" (it is {lean_now:.0%} now: only richer steps are allowed)" if lean_now > most else "")
        )
    if confidence.stage is Stage.IDLE_MIXTURE and action.kind is ActionKind.TURN_SCREW:
        full = chance(outlook.full_right)
        if full < 0.75:
            return f"it would likely take full throttle out of its band (chance in band {full:.0%})"
    if action.kind is ActionKind.CHANGE_NEEDLE:
        if not confidence.idle_mixture.observed:
            return "the idle has not been looked at with this setting yet"
        if (confidence.idle_mixture.chance_in_band or 0.0) > 0.5:
            return "the idle is more likely right than not with the needle that is fitted"
    return None
