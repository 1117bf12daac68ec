"""Something is wrong: was the latest run foretold by the runs before it, or does another story fit better?

The posterior before the latest run predicts it under every story: all as recorded; a turn made the
wrong way, or not at all; a mark set wrong; something changed and not recorded; an induction leak; a
fuel flow limit; a probe that reads too little; weather that was not what was recorded. Each story's
predictive density of the readings, times its prior, gives its probability; nothing is fitted anew.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from model.air import density_ratio
from model.evidence import Evidence, Position, readings_of, settings_of
from model.likelihood import log_likelihood
from model.mixture import Ends, Settings, Unknowns, mixtures
from model.outlook import pivot_of, widened
from model.sampler import Posterior
from shared.advice import Suspicion
from shared.runs import Run

__all__ = ["ALARM", "suspicions"]

ALARM = 0.9
"""Probability that not all is as recorded from which looking for the cause comes before the next step; judgement."""

_F = NDArray[np.float64]


@dataclass(frozen=True)
class _Case:
    """What a story may change: position, mixtures and the exhaust scale, for every draw."""

    position: Position
    shift_m: _F
    full: _F
    idle: _F
    ln_density: _F
    ln_scale: _F


@dataclass(frozen=True)
class _Story:
    """A story with its prior probability per run (judgement), how it changes the case, and what to look at."""

    kind: str
    prior: float
    what: str
    look_at: str
    applies: Callable[[Position, Position], bool]
    change: Callable[[_Case, Position, np.random.Generator], _Case]


def _always(before: Position, now: Position) -> bool:
    return True


def _turned(before: Position, now: Position) -> bool:
    return before.changes == now.changes and before.turns != now.turns


def _refitted(before: Position, now: Position) -> bool:
    return before.mark_change != now.mark_change


def _half(rng: np.random.Generator, spread: float, n: int) -> _F:
    return np.abs(rng.normal(0.0, spread, n))


def _wrong_way(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    return replace(case, position=replace(case.position, turns=2.0 * before.turns - case.position.turns))


def _not_made(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    return replace(case, position=replace(case.position, turns=before.turns))


def _mark(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    return replace(case, shift_m=rng.normal(0.0, 1.0e-3, len(case.full)))


def _part(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    n = len(case.full)
    both = rng.normal(0.0, 0.12, n)
    return replace(case, full=both + rng.normal(0.0, 0.03, n), idle=both + rng.normal(0.0, 0.05, n))


def _leak(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    n = len(case.full)
    return replace(case, full=-_half(rng, 0.03, n), idle=-0.03 - _half(rng, 0.25, n))


def _fuel_limit(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    return replace(case, full=-_half(rng, 0.15, len(case.full)))


def _probe(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    return replace(case, ln_scale=np.log(rng.uniform(0.2, 0.8, len(case.full))))


def _weather(case: _Case, before: Position, rng: np.random.Generator) -> _Case:
    return replace(case, ln_density=rng.normal(0.0, 0.12, len(case.full)))


_STORIES = (
    _Story("turn_wrong_way", 0.02, "the last turn was made the other way",
           "recall which way the key went, and count the carrier's position if it can be counted", _turned, _wrong_way),
    _Story("turn_not_made", 0.02, "the last turn was not made, or the lock screw held it",
           "recall whether the carrier moved under the key", _turned, _not_made),
    _Story("weather", 0.01, "the air was not what was recorded",
           "check temperature and pressure as they were entered, with their units", _always, _weather),
    _Story("probe", 0.01, "the exhaust probe reads too little",
           "see that the probe sits tight, in its own cylinder, and lean more slowly", _always, _probe),
    _Story("mark_set_wrong", 0.03, "the new needle's mark was not at the slide's edge",
           "take the slide out and set the mark again", _refitted, _mark),
    _Story("part_changed", 0.01, "something was changed and not recorded: air filter, intake, fuel, propeller",
           "look at the air filter and the intake, and ask what else was done", _always, _part),
    _Story("induction_leak", 0.01, "the induction leaks: lean at idle, hardly so at full throttle",
           "look at the intake's joints, hoses and gaskets between slide and cylinder", _always, _leak),
    _Story("fuel_flow_limit", 0.01, "the fuel flow is limited at full throttle",
           "measure the fuel flow at the throttle body; look at filter, vent and lines", _always, _fuel_limit),
)  # fmt: skip
"""All stories but "as recorded", the cheapest to look at first."""


def suspicions(before: Posterior, now: Evidence) -> tuple[Suspicion, ...]:
    """How likely each story is after the latest run, the cheapest to look at first; empty where none can be told.

    Parameters
    ----------
    before : Posterior
        Of the log up to the run before.
    now : Evidence
        The whole log.

    Returns
    -------
    tuple of Suspicion
        Their chances and the chance that all is as recorded sum to 1.
    """
    position, run = now.trail[-1]
    start = before.evidence.position
    if len(position.changes) - len(start.changes) > 1:
        return ()
    rng = np.random.default_rng([before.seed, 5])
    density = _Density(before, position, run)
    told = [s for s in _STORIES if s.applies(start, position)]
    logs = [density(density.plain)] + [density(s.change(density.plain, start, rng)) for s in told]
    priors = np.array([1.0 - sum(s.prior for s in told), *(s.prior for s in told)])
    weight = priors * np.exp(np.array(logs) - max(logs))
    chances = weight / weight.sum()
    return tuple(Suspicion(s.kind, float(p), s.what, s.look_at) for s, p in zip(told, chances[1:], strict=True))


class _Density:
    """Log predictive density of one run's readings under a case."""

    def __init__(self, before: Posterior, position: Position, run: Run) -> None:
        self._evidence = before.evidence
        self._u = widened(before.unknowns, before.seed)
        self._readings = readings_of([run])
        self._ln_density = float(np.log(density_ratio(run.air)))
        n = len(self._u.offset)
        zero = np.zeros(n)
        self.plain = _Case(position, zero, zero, zero, zero, zero)

    def __call__(self, case: _Case) -> float:
        """The density, all draws averaged."""
        evidence, u = self._evidence, self._u
        plain = settings_of(evidence.installation, [(case.position, self._ln_density)], evidence.first_change, extra=1)
        settings = self._changed(plain, case)
        moved: Unknowns = replace(u, exhaust_scale=u.exhaust_scale * np.exp(case.ln_scale)[:, None])
        ends = mixtures(u, settings, pivot_of(evidence), evidence.throttle)
        shifted = Ends(ends.full + case.full[:, None], ends.idle + case.idle[:, None], ends.opening)
        each = log_likelihood(self._readings, moved, shifted, settings, evidence.scales)[:, 0]
        top = float(each.max())
        return top + float(np.log(np.mean(np.exp(each - top))))

    @staticmethod
    def _changed(plain: Settings, case: _Case) -> Settings:
        return replace(
            plain,
            needle_m=plain.needle_m + case.shift_m[:, None],
            ln_density=plain.ln_density + case.ln_density[:, None],
        )
