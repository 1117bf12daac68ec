"""Every action that could come next, with its figures and, where it may not be suggested, why."""

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model.design import actions
from taperwise.model.design.ground_run import ground_run
from taperwise.model.design.information import Study
from taperwise.model.design.look_ahead import CHANGE_COST_RUNS, RunsBetween, runs_after, runs_that_come
from taperwise.model.design.reachable_settings import NeedleOptimum, Prospects, destinations_of, prospects_of
from taperwise.model.design.runs_to_finish import runs_made
from taperwise.model.inference.dataset import Position
from taperwise.model.inference.sampler import Posterior
from taperwise.model.prediction.predictive import predict
from taperwise.model.prediction.setting_draws import (
    SettingDraws,
    Target,
    chance,
    full_throttle_window,
    predict_settings,
    target_at,
    worth_of,
)
from taperwise.shared.limits import IdleStopStep, ScrewStep, StepLimits
from taperwise.shared.reasons import Refusal, RefusalCode
from taperwise.shared.recommendation import Action, ActionKind, Candidate, Confidence, Information, Stage
from taperwise.shared.records import ChangeNeedle, Installation

__all__ = ["RUNS_THAT_CONDEMN", "CandidateSet", "EvaluatedCandidate", "evaluate_candidates"]

RUNS_THAT_CONDEMN = 2
"""Runs after which a needle may be given up; judgement."""

_NEEDLES_SHOWN = 3  # of those not fitted, the most promising
_FURTHER = 0.02  # expected distance from the band by which a step leads away [turns]
_KEEPS_FULL = 0.75  # chance of full throttle in band that a screw step at the idle stage has to keep
_WORTH_IT = 0.1  # what both ends have to gain by a screw step at the idle stage that does not keep it
_LIKELY_RIGHT = 0.5  # chance of full throttle in band from which the idle stop may be turned while it is not confirmed
_SETTLED = 0.05  # chance below which a setting is known to be wrong
_FARTHEST_FROM_MARK = 1.5  # first setting of a new needle [turns]
_NOTHING = Information(0.0, 0.0)


@dataclass(frozen=True)
class EvaluatedCandidate:
    """A candidate with what the choice needs beyond its figures.

    Parameters
    ----------
    candidate : Candidate
    outlook : SettingDraws
        At the setting it leaves.
    size : float
        How large an intervention it is: turns of a screw; a change of needle counts as ten [turns].
    away : float
        Expected distance from the full-throttle band after it [turns].
    promise : float
        Chance that all is right after it: both ends and, where the idle stop may be turned, the idle speed.
    worth : float
        The same with part of it where only some is right (`taperwise.model.prediction.setting_draws.worth_of`).
    runs_there : int
        Runs made already at the setting it leaves.
    """

    candidate: Candidate
    outlook: SettingDraws
    size: float
    away: float
    promise: float
    worth: float
    runs_there: int

    @property
    def nats(self) -> float:
        """What the run after it is expected to teach [nats]; nothing where it is refused."""
        return 0.0 if self.candidate.information is None else self.candidate.information.nats

    @property
    def price(self) -> float:
        """What it is priced at [runs]; without end where it is refused."""
        return math.inf if self.candidate.price_runs is None else self.candidate.price_runs


@dataclass(frozen=True)
class CandidateSet:
    """All candidates of the present stage, and what the needles on hand promise.

    Parameters
    ----------
    options : list of EvaluatedCandidate
        The repeat first.
    reaches : dict of NeedleOptimum
        The best setting of every needle on hand, shallowest first.
    any_chance : float
        Chance that some setting of some needle on hand is right at both ends, where need be with the idle stop turned.
    all_chance : float
        The best chance of any one setting to be right at both ends and in idle speed; 1 where the next run is not
        simulated.
    rise_read : bool
        Whether full throttle was ever read.
    runs_with : callable or None
        ``(candidate, kinds of reading) -> runs``: what comes after a candidate's run if it reads these; None where the
        next run is not simulated.
    channels : frozenset of str
        Kinds of reading that the next run is expected to bring.
    runs_made : int
        Runs that this tuning has taken.
    """

    options: list[EvaluatedCandidate]
    reaches: dict[str, NeedleOptimum]
    any_chance: float
    all_chance: float = 1.0
    rise_read: bool = True
    runs_with: Callable[[EvaluatedCandidate, frozenset[str]], float] | None = None
    channels: frozenset[str] = frozenset()
    runs_made: int = 0


def evaluate_candidates(
    posterior: Posterior, confidence: Confidence, now: SettingDraws, *, informed: bool = True, cores: int = 1
) -> CandidateSet:
    """Weigh all candidates of the present stage.

    Parameters
    ----------
    confidence : Confidence
    now : SettingDraws
        At the present position.
    informed : bool
        Whether the next run is simulated; without it, information and price are given as zero.
    cores : int
        Candidates weighed at a time; the figures are the same whatever it is.
    """
    installation = posterior.evidence.installation
    here = now.position
    screw = _screw_options(installation, here)
    prospects = prospects_of(posterior, here, now.conditions, [position for _, position in screw])
    options: list[tuple[Action, Position]] = [(actions.repeat_run(), here), *screw]
    options += _needle_options(installation, here, prospects.reaches())
    if _idle_stop_may_be_turned(confidence) and "idle_rpm" in posterior.evidence.channels:
        options += _stop_options(installation, here)
    error = posterior.evidence.ln_density_error
    outlooks = predict_settings(posterior, [position for _, position in options], now.conditions, error)
    judge = _Judge(posterior, confidence, now, prospects, informed)
    with ThreadPoolExecutor(cores) as threads:  # large arrays: the interpreter's lock is hardly held
        weighed = list(threads.map(judge.weighed, (action for action, _ in options), outlooks))
    return CandidateSet(
        weighed,
        judge.reaches,
        judge.any_chance,
        judge.all_chance,
        judge.rise_read,
        judge.runs_with if informed else None,
        judge.channels,
        runs_made(posterior.evidence),
    )


def _idle_stop_may_be_turned(confidence: Confidence) -> bool:
    """From the idle stage on; earlier where full throttle is likely right, as the next run reads it all the same."""
    full = confidence.full_throttle
    return confidence.stage is not Stage.FULL_THROTTLE or (
        full.observed and (full.chance_in_band or 0.0) >= _LIKELY_RIGHT
    )


def _screw_options(installation: Installation, here: Position) -> list[tuple[Action, Position]]:
    steps = [ScrewStep(s * size, installation.limits) for size in installation.limits.steps() for s in (1, -1)]
    return [(actions.turn_screw(s, installation), replace(here, turns=here.turns + s.turns)) for s in steps]


def _stop_options(installation: Installation, here: Position) -> list[tuple[Action, Position]]:
    steps = [IdleStopStep(s * size, installation.limits) for size in installation.limits.steps() for s in (1, -1)]
    return [
        (actions.turn_idle_stop(s, installation), replace(here, idle_stop_turns=here.idle_stop_turns + s.turns))
        for s in steps
    ]


def _needle_options(
    installation: Installation, here: Position, reaches: dict[str, NeedleOptimum]
) -> list[tuple[Action, Position]]:
    """A change to the most promising needles, each set where both ends have the best chance."""
    ordered = [n.label for n in installation.shallow_to_steep]
    others = sorted((r for r in reaches.values() if r.needle != here.needle), key=lambda r: -r.chance_both)
    options = []
    for reach in others[:_NEEDLES_SHOWN]:
        steps = ordered.index(reach.needle) - ordered.index(here.needle)
        turns = max(-_FARTHEST_FROM_MARK, min(_FARTHEST_FROM_MARK, reach.turns))
        action = actions.change_needle(reach.needle, steps, turns, installation)
        options.append((action, here.after(ChangeNeedle(reach.needle, turns), installation)))
    return options


class _Moves(NamedTuple):
    """What a refusal looks at: distances from the full-throttle band [turns], whether the latest turn made richer what
    no run has seen since, and whether full throttle was ever read.
    """

    away_now: float
    away_after: float
    just_richer: bool
    rise_read: bool


class _Judge:
    """What all candidates of one answer share: the draws that stand for the next run, and where it could lead."""

    def __init__(
        self,
        posterior: Posterior,
        confidence: Confidence,
        now: SettingDraws,
        prospects: Prospects,
        informed: bool,
    ) -> None:
        self.posterior, self.confidence, self.now = posterior, confidence, now
        self.reaches = prospects.reaches()
        self.any_chance, self.all_chance = prospects.any_chance(), 1.0
        self.rise_read = "rise" in posterior.evidence.channels
        self.limits = posterior.evidence.installation.limits
        self.target: Target = target_at(now, posterior)
        theta = np.stack([self.target.offset_turns, self.target.taper_misfit], axis=1)
        self.study = Study(theta, np.random.default_rng([posterior.seed, 4])) if informed else None
        self.destinations = None
        if self.study is not None:
            stops = [p for _, p in _stop_options(posterior.evidence.installation, now.position)]
            others = len(self.study.mixture)
            chosen = np.concatenate([self.study.mixture, self.study.truths])
            every = destinations_of(posterior, prospects, now.conditions, chosen, stops)
            self.really = every.worth[others:]
            self.destinations = replace(every, right=every.right[:others], worth=every.worth[:others])
            self.all_chance = float(self.destinations.right.mean(axis=0).max())
            self.any_chance = max(self.any_chance, self.destinations.any_chance)
        self.away_now = self.away(now)
        self.channels = frozenset({"rise", "idle_quality"} | (posterior.evidence.channels - {"idle_rpm"}))

    def weighed(self, action: Action, outlook: SettingDraws) -> EvaluatedCandidate:
        """The candidate with its figures."""
        moves = _Moves(self.away_now, self.away(outlook), self._just_richer(), self.rise_read)
        refused = _refusal(self.confidence, self.now, action, outlook, self.limits, moves)
        # what may not be made teaches nothing
        information, price = self._ahead(action, outlook) if refused is None else (None, None)
        candidate = Candidate(
            action=action,
            information=information,
            prediction=predict(outlook, self.posterior),
            price_runs=price,
            refused=refused,
        )
        size = 10.0 if action.kind is ActionKind.CHANGE_NEEDLE else abs(action.turns or 0.0)
        there = sum(_alike(position, outlook.position) for position, _ in self.posterior.evidence.trail)
        counts = _idle_stop_may_be_turned(self.confidence) and "idle_rpm" in self.posterior.evidence.channels
        both, speed = outlook.full_right & outlook.idle_right, outlook.speed_right | (not counts)
        worth = float(np.mean(worth_of(outlook.full_right, both, speed)))
        return EvaluatedCandidate(candidate, outlook, size, moves.away_after, chance(both & speed), worth, there)

    def _just_richer(self) -> bool:
        """Whether the holder was turned out since the latest run, with the same needle."""
        here, trail = self.now.position, self.posterior.evidence.trail
        return bool(trail) and trail[-1][0].changes == here.changes and trail[-1][0].turns < here.turns - 1e-6

    def away(self, outlook: SettingDraws) -> float:
        """Expected distance from the full-throttle band [turns]."""
        lean_edge, rich_edge = full_throttle_window(outlook, self.posterior)
        return float(np.mean(np.maximum(np.maximum(lean_edge, -rich_edge), 0.0)))

    def _ahead(self, action: Action, outlook: SettingDraws) -> tuple[Information, float]:
        if self.study is None or self.destinations is None:
            return _NOTHING, 0.0
        run = ground_run(outlook, self.posterior, self.target, self.channels)
        gain, weights = self.study.judge(run)
        offset_sd, taper_sd = self.study.expected_sds(weights)
        by_order = self.posterior.evidence.installation.by_order  # then no slope is told
        information = replace(gain, offset_sd=offset_sd, taper_sd=None if by_order else taper_sd)
        return information, self._price(action, outlook.position, weights)

    def runs_with(self, option: EvaluatedCandidate, channels: frozenset[str]) -> float:
        """What comes after a candidate's run if it reads these kinds [runs]."""
        if self.study is None or self.destinations is None:
            return 0.0
        run = ground_run(option.outlook, self.posterior, self.target, channels)
        there = option.outlook.position
        return runs_that_come(
            RunsBetween.between(there, self.destinations, self.limits),
            self.destinations,
            self.really,
            self.destinations.index_of(there),
            self.study.reweighted(run),
            self.limits.confirm_chance,
        )

    def _price(self, action: Action, there: Position, weights: NDArray[np.float64]) -> float:
        if self.destinations is None:
            return 0.0
        itself = 1.0 + CHANGE_COST_RUNS * (action.kind is ActionKind.CHANGE_NEEDLE)
        return itself + runs_after(
            RunsBetween.between(there, self.destinations, self.limits),
            self.destinations,
            self.destinations.index_of(there),
            weights,
            self.limits.confirm_chance,
        )


def _alike(one: Position, other: Position) -> bool:
    """Whether two settings are the same to whoever turns; a mark set afresh and sums of fractions make no other one."""
    return (one.needle, one.fuel, one.parts) == (other.needle, other.fuel, other.parts) and all(
        abs(a - b) < 1e-6 for a, b in ((one.turns, other.turns), (one.idle_stop_turns, other.idle_stop_turns))
    )


def _first_run(confidence: Confidence, action: Action) -> bool:
    """Whether this is the very first run: nothing but the prior speaks against it, and nothing else can be learned."""
    return confidence.runs == 0 and action.kind is ActionKind.REPEAT_RUN


def _refusal(
    confidence: Confidence, now: SettingDraws, action: Action, outlook: SettingDraws, limits: StepLimits, moves: _Moves
) -> Refusal | None:
    if _first_run(confidence, action):
        return None
    lean, lean_now, most = chance(outlook.lean), chance(now.lean), limits.lean_chance
    richer = action.kind is ActionKind.TURN_SCREW and (action.turns or 0.0) > 0
    seen_next = action.kind is ActionKind.REPEAT_RUN and moves.just_richer  # the step was made, its run is due
    if lean > most and not richer and not seen_next:
        return Refusal(RefusalCode.LEAN_OF_PEAK, lean, lean_now, most)
    if not moves.rise_read and (richer or action.kind is ActionKind.REPEAT_RUN):
        return None  # one reads full throttle for the first time, the other makes that safe, wherever it leads
    if richer and lean_now > most:
        return None  # what lies on the lean side comes first, whatever it costs at either end
    if action.kind is ActionKind.TURN_SCREW:
        return _screw_refusal(confidence, outlook, moves)
    if action.kind is ActionKind.CHANGE_NEEDLE:
        return _needle_refusal(confidence)
    if action.kind is ActionKind.REPEAT_RUN:
        return _repeat_refusal(confidence)
    return None


def _screw_refusal(confidence: Confidence, outlook: SettingDraws, moves: _Moves) -> Refusal | None:
    if confidence.stage is Stage.FULL_THROTTLE and moves.away_after > moves.away_now + _FURTHER:
        return Refusal(RefusalCode.LEADS_AWAY)
    full, both = chance(outlook.full_right), chance(outlook.full_right & outlook.idle_right)
    if confidence.stage is not Stage.FULL_THROTTLE and full < _KEEPS_FULL and both < confidence.chance_both + _WORTH_IT:
        return Refusal(RefusalCode.LOSES_FULL_THROTTLE, full)
    return None


def _needle_refusal(confidence: Confidence) -> Refusal | None:
    if not confidence.idle_mixture.observed:
        return Refusal(RefusalCode.IDLE_NOT_SEEN)
    if confidence.runs < RUNS_THAT_CONDEMN:
        return Refusal(RefusalCode.ONE_RUN_IS_NOT_ENOUGH)
    return None


def _repeat_refusal(confidence: Confidence) -> Refusal | None:
    """A setting that is known to be wrong is left: what a repeat would teach, a better setting teaches too."""
    full, idle, speed = confidence.full_throttle, confidence.idle_mixture, confidence.idle_speed
    ends_wrong = full.observed and idle.observed and confidence.chance_both < _SETTLED
    speed_wrong = confidence.stage is Stage.IDLE_SPEED and speed.observed and (speed.chance_in_band or 0.0) < _SETTLED
    return Refusal(RefusalCode.KNOWN_TO_BE_WRONG) if ends_wrong or speed_wrong else None
