"""Policies that tune an engine: ours, and those it is measured against."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from taperwise.model.design.candidates import EvaluatedCandidate, evaluate_candidates
from taperwise.model.design.selection import no_needle_fits
from taperwise.model.diagnosis.fault_detection import ALARM, ALARM_AT_THE_END, WORTH_A_LOOK
from taperwise.model.inference.dataset import Position, replay
from taperwise.model.recommender import Learned, Recommender
from taperwise.model.simulation import common_practice
from taperwise.model.simulation.virtual_engine import Truth
from taperwise.shared.reasons import FaultKind, InspectCause
from taperwise.shared.recommendation import ActionKind, Confidence, Stage, Suggestion
from taperwise.shared.records import Adjustment, ChangeNeedle, Entry, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, IdleQuality, RiseSeen, Run
from tests.benchmarks.engines.campaign import Decision, Forecast, Policy, Stated, Tunable

__all__ = ["fitting_positions", "make_policy"]

_FAR_STOP_TURNS = 1.5  # how far from where it is the idle stop is looked for [turns]
_FAR_TURNS = 6.0  # how far from a needle's mark the oracle looks for a right position [turns]


def make_policy(name: str, recommender: Recommender | None, rng: np.random.Generator) -> Policy:
    """A policy by name.

    Parameters
    ----------
    name : str
        One of `tests.benchmarks.engines.campaign.POLICIES`.
    recommender : Recommender or None
        Needed by all but the rule of thumb and the oracle.
    rng : numpy.random.Generator
        For the random policy.

    Raises
    ------
    ValueError
        If there is no such policy, or it lacks its recommender.
    """
    if name == "rule_of_thumb":
        return _rule_of_thumb
    if name == "oracle":
        return _Oracle()
    if recommender is None:
        raise ValueError(f"{name} needs an recommender")
    if name == "ours":
        return _Ours(recommender)
    picks: dict[str, Callable[[list[EvaluatedCandidate], Learned], EvaluatedCandidate]] = {
        "information": lambda allowed, _: max(allowed, key=lambda w: w.nats),
        "greedy": _nearest_to_mean,
        "random": lambda allowed, _: allowed[rng.integers(len(allowed))],
    }
    if name not in picks:
        raise ValueError(f"no policy {name}")
    return _Among(recommender, picks[name], informed=name == "information")


def _stated(c: Confidence) -> Stated:
    return Stated(c.full_throttle.chance_in_band or 0.0, c.idle_mixture.chance_in_band or 0.0, c.chance_both)


def _alarm(confidence: Confidence) -> tuple[str, ...]:
    worth = sorted((s for s in confidence.suspicions if s.chance >= WORTH_A_LOOK), key=lambda s: -s.chance)
    return tuple(s.kind for s in worth)


class _Ours:
    """The service's own suggestion, carried out to the letter."""

    def __init__(self, recommender: Recommender) -> None:
        self._advisor = recommender

    def __call__(self, engine: Tunable, entries: Sequence[Entry], air: Air) -> Decision:
        suggestion = self._advisor.suggest(self._advisor.learn(engine.installation, entries))
        stated = _stated(suggestion.confidence)
        if suggestion.action.kind is ActionKind.KEEP:
            return Decision(finished="tuned", stated=stated)
        if suggestion.action.cause is InspectCause.NOT_AS_FORETOLD:
            return Decision(stated=stated, alarm=_alarm(suggestion.confidence))
        if suggestion.action.cause is InspectCause.RISE_STUCK:
            return Decision(stated=stated, alarm=(FaultKind.FUEL_FLOW_LIMIT,))
        if suggestion.action.cause is not None:
            return Decision(finished=suggestion.action.cause, stated=stated)
        return Decision(suggestion.action.adjustments(), stated=stated, forecast=_forecast(suggestion))


def _forecast(suggestion: Suggestion) -> Forecast | None:
    """None where nothing was weighed, as while nobody is sure of the readings."""
    chosen = next((c for c in suggestion.alternatives if c.action == suggestion.action), None)
    if chosen is None or chosen.price_runs is None:
        return None
    loss = 0.0 if suggestion.most_informative is None else suggestion.most_informative.loss_nats
    return Forecast(suggestion.stage.value, chosen.price_runs, suggestion.runs_to_finish, loss)


class _Among:
    """Same posterior, stages, limits, doubts and claims as ours; only the pick among what is allowed differs."""

    def __init__(
        self,
        recommender: Recommender,
        pick: Callable[[list[EvaluatedCandidate], Learned], EvaluatedCandidate],
        informed: bool,
    ) -> None:
        self._advisor, self._pick, self._informed = recommender, pick, informed

    def __call__(self, engine: Tunable, entries: Sequence[Entry], air: Air) -> Decision:
        learned = self._advisor.learn(engine.installation, entries)
        confidence, stated = learned.confidence, _stated(learned.confidence)
        if confidence.doubt >= ALARM:
            return Decision(stated=stated, alarm=_alarm(confidence))
        last_word = Decision(finished="tuned", stated=stated) if confidence.stage is Stage.TUNED else None
        if last_word is None:
            weighing = evaluate_candidates(learned.posterior, confidence, learned.now, informed=self._informed)
            if no_needle_fits(weighing, confidence, engine.installation) is not None:
                last_word = Decision(finished=InspectCause.NO_NEEDLE_FITS, stated=stated)
        if last_word is not None:
            doubted = confidence.doubt >= ALARM_AT_THE_END
            return Decision(stated=stated, alarm=_alarm(confidence)) if doubted else last_word
        allowed = [w for w in weighing.options if w.candidate.refused is None] or weighing.options[:1]
        return Decision(self._pick(allowed, learned).candidate.action.adjustments(), stated=stated)


def _nearest_to_mean(allowed: list[EvaluatedCandidate], learned: Learned) -> EvaluatedCandidate:
    """The option after which the posterior's mean is nearest to the middle of what the stage asks for."""
    confidence, targets = learned.confidence, learned.evidence.installation.targets

    def away(w: EvaluatedCandidate) -> float:
        o = w.outlook
        if confidence.stage is Stage.FULL_THROTTLE:
            return abs(float(np.mean(o.rise)) - 0.5 * sum(targets.rise_kelvin))
        if confidence.stage is Stage.IDLE_SPEED:
            return abs(float(np.mean(o.idle_rpm)) - 0.5 * sum(targets.idle_rpm))
        return -w.candidate.prediction.chance_both

    return min(allowed, key=away)


def _rule_of_thumb(engine: Tunable, entries: Sequence[Entry], air: Air) -> Decision:
    """Common practice; the chances it states are its own verdicts, 0 or 1."""
    position, _ = replay(engine.installation, entries)
    run = next(e for e in reversed(entries) if isinstance(e, Run))
    low, high = engine.installation.targets.rise_kelvin
    full = run.rise is not None and run.rise.seen is RiseSeen.PEAK and low <= run.rise.kelvin <= high
    idle = run.idle_quality is IdleQuality.SMOOTH
    stated = Stated(float(full), float(idle), float(full and idle))
    adjustment = common_practice.next_adjustment(run, position.needle, engine.installation)
    if adjustment is not None:
        return Decision((adjustment,), stated=stated)
    return Decision(finished="tuned" if full and idle else InspectCause.NO_NEEDLE_FITS, stated=stated)


def fitting_positions(engine: Tunable, air: Air) -> list[tuple[Position, Truth]]:
    """Every needle's screw positions, in quanta from its mark, at which some place of the idle stop makes all right.

    Of the places of the idle stop the nearest to the present one stands for all. A needle not fitted now is taken with
    the errors its fitting would come out with.
    """
    quantum = engine.installation.limits.quantum_turns
    count, stops = int(_FAR_TURNS / quantum), int(_FAR_STOP_TURNS / quantum)
    found = []
    for needle in engine.installation.needles:
        start = engine.fitted_anew(needle.label)
        for i in range(-count, count + 1):
            at = replace(start, turns=i * quantum)
            truth = engine.truth_at(at, air)
            full_right = getattr(truth, "read_right", truth.full_right)  # the band is that of cylinders with a probe
            if not full_right or truth.lean:
                continue
            for k in sorted(range(-stops, stops + 1), key=abs):
                there = replace(at, idle_stop_turns=at.idle_stop_turns + k * quantum)
                truth = engine.truth_at(there, air)
                if truth.idle_right and truth.speed_right:
                    found.append((there, truth))
                    break
    return found


class _Oracle:
    """Knows the engine; bound by the step limits and the order of the stages.

    It walks screw and idle stop to where all is right if the fitted needle has such a place, else the screw to the
    full-throttle band, then fits the needle that has one.
    """

    def __call__(self, engine: Tunable, entries: Sequence[Entry], air: Air) -> Decision:
        truth = engine.truth(air)
        stated = Stated(float(truth.full_right), float(truth.idle_right), float(truth.full_right and truth.idle_right))
        if truth.full_right and truth.idle_right and truth.speed_right:
            return Decision(finished="tuned", stated=stated)
        places = [at for at, _ in fitting_positions(engine, air)]
        if not places:
            return Decision(finished=InspectCause.NO_NEEDLE_FITS, stated=stated)
        here = engine.position
        same = [at for at in places if at.needle == here.needle]
        if same:
            return Decision((self._towards(engine, same),), stated=stated)
        if truth.full_right:
            best = places[len(places) // 2]
            middle = [at for at in places if at.needle == best.needle]
            at = middle[len(middle) // 2]
            return Decision((ChangeNeedle(at.needle, at.turns),), stated=stated)
        return Decision((self._walk(engine, self._full_right(engine, air)),), stated=stated)

    def _full_right(self, engine: Tunable, air: Air) -> float:
        """The nearest position of the fitted needle at which full throttle is right [turns]."""
        quantum, here = engine.installation.limits.quantum_turns, engine.position
        for i in range(1, 100):
            for side in (1, -1):
                if engine.truth_at(replace(here, turns=here.turns + side * i * quantum), air).full_right:
                    return here.turns + side * i * quantum
        return here.turns + (quantum if engine.truth(air).lean else -quantum)

    def _towards(self, engine: Tunable, places: list[Position]) -> Adjustment:
        """The screw first, then the idle stop, to the nearest of them."""
        here, limits = engine.position, engine.installation.limits
        at = min(places, key=lambda p: abs(p.turns - here.turns) + abs(p.idle_stop_turns - here.idle_stop_turns))
        if abs(at.turns - here.turns) > 0.5 * limits.quantum_turns:
            return self._walk(engine, at.turns)
        stop = at.idle_stop_turns - here.idle_stop_turns
        return TurnIdleStop(float(np.clip(stop, -limits.largest_turns, limits.largest_turns)))

    def _walk(self, engine: Tunable, turns: float) -> Adjustment:
        most = engine.installation.limits.largest_turns
        return TurnScrew(float(np.clip(turns - engine.position.turns, -most, most)))
