"""Something is wrong: were the latest runs foretold by those before them, or does another story fit better?

Every story (`taperwise.model.diagnosis.hypotheses`) may have begun with any of the latest runs. The posterior before
that run predicts it and all runs since, together, under the story and under "all as recorded"; the ratio of the two
predictive densities, times the story's prior, gives its probability. "All as recorded" allows for what differs from day
to day. Nothing is fitted again, and a fault that hides behind the scatter of one run shows in the next ones.

A predictive density is a mean over draws, and of runs that surprise it rests on few of them. So the draws of all the
posteriors, before and after those runs, stand for each: every one is weighed by how likely the mixture of all
posteriors makes it, which needs the densities of the runs between them, found together with it (Shirts & Chodera 2008,
doi:10.1063/1.2978177).
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from taperwise.model.diagnosis.hypotheses import DRIFT_SHARE, HYPOTHESES, FaultEffect, FaultHypothesis, drifted
from taperwise.model.inference.dataset import Evidence, Position, conditions_of_run, settings_of
from taperwise.model.inference.likelihood import log_likelihood
from taperwise.model.inference.posterior_cache import Log
from taperwise.model.inference.readings import readings_of
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Ends, Gains, Settings, Unknowns, flow_gains, mixtures_with
from taperwise.model.prediction.setting_draws import pivot_of, widened
from taperwise.shared.reasons import Suspicion
from taperwise.shared.records import Acknowledge
from taperwise.shared.runs import Run

__all__ = ["ALARM", "ALARM_AT_THE_END", "LATEST", "WORTH_A_LOOK", "earlier_logs", "fault_probabilities"]

ALARM = 0.6
"""Probability that not all is as recorded from which looking for the cause comes before the next step; judgement."""

ALARM_AT_THE_END = 0.3
"""The same where the next word would be the last one, "tuned" or "no needle fits", or another needle: then a look costs
less than what it saves; judgement."""

WORTH_A_LOOK = 0.05
"""Probability from which a story's cause is among those to look at; judgement."""

LATEST = 5
"""Runs with which a story may have begun; a story older than that has become part of what is known; judgement."""

_F = NDArray[np.float64]
_Trail = tuple[tuple[Position, Run], ...]


def earlier_logs(log: Log) -> list[Log]:
    """The log as it was after each run whose prediction the latest runs are held against.

    None of them where something was turned or acknowledged since.
    """
    entries = log.entries
    if not entries or not isinstance(entries[-1], Run):
        return []
    told = max((i for i, entry in enumerate(entries) if isinstance(entry, Acknowledge)), default=-1)
    runs = [i for i, entry in enumerate(entries) if isinstance(entry, Run)]
    # a story begins with a run that was not acknowledged, and needs a run before it to stand out from
    return [log.until(before + 1) for before, run in pairwise(runs) if run > told][-LATEST:]


def fault_probabilities(fits: Sequence[Posterior], now: Evidence, cores: int = 1) -> tuple[Suspicion, ...]:
    """How likely each story is after the latest runs, the cheapest to look at first; empty where none can be told.

    Parameters
    ----------
    fits : sequence of Posterior
        Of the log up to each of the runs before the latest one, for as many runs back as a story may have begun; then
        of the whole log. Those that did not converge are left out.
    now : Evidence
        The whole log.
    cores : int
        Runs looked at at a time; the figures are the same whatever it is.

    Returns
    -------
    tuple of Suspicion
        Their chances and the chance that all is as recorded sum to 1.
    """
    odds: dict[FaultHypothesis, dict[int, float]] = {}
    for _, alike in groupby(fits, key=_meaning):
        for begun, found in _Pool(list(alike), now).odds(cores).items():
            for story, each in found.items():
                odds.setdefault(story, {})[begun] = each
    if not odds:
        return ()
    total = 1.0 + sum(sum(each.values()) for each in odds.values())
    return tuple(
        Suspicion(s.kind, sum(odds[s].values()) / total, max(odds[s], key=lambda n: odds[s][n]))
        for s in HYPOTHESES
        if s in odds
    )


def _meaning(fit: Posterior) -> tuple[object, ...]:
    """What draws of two fits must share to stand for one another: scales, the oldest change, the prior."""
    return fit.evidence.scales, fit.evidence.first_change, fit.evidence.prior


class _Pool:
    """Draws of fits of a growing log, taken together.

    Parameters
    ----------
    fits : list of Posterior
        Whose draws mean the same, the shortest log first.
    now : Evidence
        The whole log.
    """

    def __init__(self, fits: list[Posterior], now: Evidence) -> None:
        self._fits = fits
        first = self._evidence = fits[0].evidence
        self._usual_head = now.usual_head
        self._trail: _Trail = now.trail[first.runs :]
        positions = [position for position, _ in self._trail]
        self._changes = max([1, *(len(p.changes) - len(first.position.changes) for p in positions)])
        us = [widened(fit.unknowns, fit.seed, self._changes) for fit in fits]
        gains = [
            flow_gains(u, pivot_of(fit.evidence, self._changes), fit.evidence.throttle)
            for u, fit in zip(us, fits, strict=True)
        ]
        self._u = Unknowns(*(np.concatenate([getattr(u, name) for u in us]) for name in Unknowns.names()))
        self._gains = Gains(np.concatenate([g.full for g in gains]), np.concatenate([g.idle for g in gains]))
        self._pitch = first.installation.throttle_body.screw_pitch_m

    def odds(self, cores: int) -> dict[int, dict[FaultHypothesis, float]]:
        """Odds of every story against "all as recorded", by number of the run it may have begun with."""
        if not self._trail:
            return {}
        plain = self.ln_density(FaultEffect.as_recorded(len(self._u.offset), len(self._trail)), self._trail)
        until = [fit.evidence.runs - self._evidence.runs for fit in self._fits]
        so_far = np.stack([plain[:, :n].sum(axis=1) for n in until])  # of the runs up to each fit, (fits, draws)
        ln_weights = _ln_weights(so_far, np.array([len(fit.unknowns.offset) for fit in self._fits]))

        def of(fit: Posterior, n: int, weights: _F) -> tuple[int, dict[FaultHypothesis, float]]:
            as_recorded = _ln_mean(weights + plain[:, n:].sum(axis=1))
            return fit.evidence.runs + 1, self._odds_since(fit, self._trail[n:], weights, as_recorded)

        begun = [each for each in zip(self._fits, until, ln_weights, strict=True) if each[1] < len(self._trail)]
        with ThreadPoolExecutor(cores) as threads:  # large arrays: the interpreter's lock is hardly held
            return dict(threads.map(of, *zip(*begun, strict=True)))

    def _odds_since(
        self, before: Posterior, trail: _Trail, ln_weights: _F, plain: float
    ) -> dict[FaultHypothesis, float]:
        """Odds of every story that may have begun with the first of these runs."""
        start, positions = before.evidence.position, tuple(position for position, _ in trail)
        if any(len(b.changes) - len(a.changes) > 1 for a, b in zip((start, *positions), positions, strict=False)):
            return {}
        stories = [s for s in HYPOTHESES if s.applies(start, positions[0])]
        sound = 1.0 - sum(s.prior for s in stories)
        recorded = FaultEffect.as_recorded(len(self._u.offset), len(trail))
        rng = np.random.default_rng([before.seed, 5])
        drift = drifted(recorded, np.random.default_rng([before.seed, 8]))
        shared = _ln_mean(ln_weights + self.ln_density(drift, trail).sum(axis=1))
        plain = float(np.logaddexp(np.log(1.0 - DRIFT_SHARE) + plain, np.log(DRIFT_SHARE) + shared))
        odds = {}
        for story in stories:
            case = story.change(recorded, start, positions[0], positions, rng)
            gain = _ln_mean(ln_weights + self.ln_density(case, trail).sum(axis=1)) - plain
            # bounded: beyond that all is certain, and odds must stay finite
            odds[story] = story.prior / sound * float(np.exp(min(gain, 500.0)))
        return odds

    def _at(self, trail: _Trail) -> Settings:
        rows = [(position, conditions_of_run(run, self._usual_head)) for position, run in trail]
        return settings_of(self._evidence.installation, rows, self._evidence.first_change, extra=self._changes)

    def ln_density(self, case: FaultEffect, trail: _Trail) -> _F:
        """Log density of the readings of each of these runs under a case, (draws, runs)."""
        evidence, u, plain = self._evidence, self._u, self._at(trail)
        settings = replace(
            plain,
            needle_m=plain.needle_m + self._pitch * case.screw + case.shift_m,
            ln_density=plain.ln_density + case.ln_density,
        )
        moved: Unknowns = replace(
            u, exhaust_scale=u.exhaust_scale * np.exp(case.ln_scale), static_rpm=u.static_rpm + case.ln_static
        )
        ends = mixtures_with(self._gains, u, settings, evidence.throttle)
        full = ends.full + case.full
        if case.drop is not None:
            first = mixtures_with(self._gains, u, self._at(trail[:1]), evidence.throttle).full
            full = np.minimum(full, first - case.drop)
        shifted = Ends(full, ends.idle + case.idle, ends.opening)
        each = log_likelihood(readings_of([run for _, run in trail]), moved, shifted, settings, evidence.scales)
        found: _F = np.broadcast_to(each, (len(u.offset), len(trail)))
        return found


_ITERATIONS, _NEAR = 500, 1e-6  # most steps of the fixed point, and the change of a logarithm at which it is reached


def _ln_mean(ln_values: _F) -> float:
    return float(logsumexp(ln_values) - np.log(len(ln_values)))


def _ln_weights(so_far: _F, counts: NDArray[np.int64]) -> _F:
    """Ln of the weights with which draws of all posteriors stand for each of them; their mean is 1.

    Parameters
    ----------
    so_far : array, (posteriors, draws)
        Ln of each posterior's density over the first one's, but for a constant.
    counts : array of int, (posteriors,)
        Draws that come from each, one after the other.

    Returns
    -------
    array, (posteriors, draws)
    """
    share = np.log(counts / counts.sum())[:, None]
    constants = np.zeros(len(counts))
    for _ in range(_ITERATIONS):
        mixture = logsumexp(so_far - constants[:, None] + share, axis=0)
        new = logsumexp(so_far - mixture, axis=1) - np.log(counts.sum())
        new -= new[0]
        moved = float(np.max(np.abs(new - constants)))
        constants = new
        if moved < _NEAR:
            break
    found: _F = so_far - constants[:, None] - mixture
    return found
