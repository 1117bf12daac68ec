"""Something is wrong: were the latest runs foretold by those before them, or does another story fit better?

Every story (`model.doubt.stories`) may have begun with any of the latest runs. The posterior before that run
predicts it and all runs since, together, under the story and under "all as recorded"; the ratio of the
two predictive densities, times the story's prior, gives its probability. Nothing is fitted anew, and a
fault that hides behind the scatter of one run shows in the next ones.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from model.doubt.stories import STORIES, Case, Story
from model.engine.air import density_ratio
from model.engine.mixture import Ends, Unknowns, flow_gains, mixtures_with
from model.learning.evidence import Evidence, Position, readings_of, settings_of
from model.learning.likelihood import log_likelihood
from model.learning.sampler import Posterior
from model.setting.outlook import pivot_of, widened
from shared.advice import Suspicion
from shared.runs import Run

__all__ = ["ALARM", "ALARM_AT_THE_END", "LATEST", "WORTH_A_LOOK", "suspicions"]

ALARM = 0.9
"""Probability that not all is as recorded from which looking for the cause comes before the next step; judgement."""

ALARM_AT_THE_END = 0.5
"""The same where the next word would be the last one, "tuned" or "no needle fits": then a look costs no run;
judgement."""

WORTH_A_LOOK = 0.05
"""Probability from which a story's cause is among those to look at; judgement."""

LATEST = 5
"""Runs with which a story may have begun; a story older than that has become part of what is known; judgement."""

_F = NDArray[np.float64]
_Trail = Sequence[tuple[Position, Run]]


def suspicions(befores: Sequence[Posterior], now: Evidence, cores: int = 1) -> tuple[Suspicion, ...]:
    """How likely each story is after the latest runs, the cheapest to look at first; empty where none can be told.

    Parameters
    ----------
    befores : sequence of Posterior
        Of the log up to each of the runs before the latest one, for as many runs back as a story may have begun.
    now : Evidence
        The whole log.
    cores : int
        Of `befores` asked at a time; the figures are the same whatever it is.

    Returns
    -------
    tuple of Suspicion
        Their chances and the chance that all is as recorded sum to 1.
    """
    odds: dict[Story, dict[int, float]] = {}
    starts = [before.evidence.runs for before in befores]
    with ThreadPoolExecutor(cores) as threads:  # large arrays: the interpreter's lock is hardly held
        all_odds = threads.map(_odds_since, befores, [now.trail[start:] for start in starts])
    for start, told in zip(starts, all_odds, strict=True):
        for story, found in told.items():
            odds.setdefault(story, {})[start + 1] = found
    if not odds:
        return ()
    total = 1.0 + sum(sum(each.values()) for each in odds.values())
    return tuple(
        Suspicion(s.kind, sum(odds[s].values()) / total, s.what, s.look_at, max(odds[s], key=lambda n: odds[s][n]))
        for s in STORIES
        if s in odds
    )


def _odds_since(before: Posterior, trail: _Trail) -> dict[Story, float]:
    """Odds of every story that may have begun with the first of these runs, against "all as recorded"."""
    start = before.evidence.position
    positions = tuple(position for position, _ in trail)
    if any(len(b.changes) - len(a.changes) > 1 for a, b in zip((start, *positions), positions, strict=False)):
        return {}
    rng = np.random.default_rng([before.seed, 5])
    density = _Density(before, trail)
    told = [s for s in STORIES if s.applies(start, positions[0])]
    plain = density(density.plain)
    sound = 1.0 - sum(s.prior for s in told)
    # bounded: beyond that all is certain, and odds must stay finite
    gains = {s: min(density(s.change(density.plain, start, positions, rng)) - plain, 500.0) for s in told}
    return {s: s.prior / sound * float(np.exp(gain)) for s, gain in gains.items()}


class _Density:
    """Log predictive density of the readings of some runs, together, under a case."""

    def __init__(self, before: Posterior, trail: _Trail) -> None:
        evidence = self._evidence = before.evidence
        installation = evidence.installation
        rows = [(position, float(np.log(density_ratio(run.air)))) for position, run in trail]
        more = max(1, *(len(position.changes) - len(evidence.position.changes) for position, _ in rows))
        self._u = widened(before.unknowns, before.seed, more)
        self._gains = flow_gains(self._u, pivot_of(evidence, more), evidence.throttle)
        self._settings = settings_of(installation, rows, evidence.first_change, extra=more)
        self._readings = readings_of([run for _, run in trail])
        self._pitch = installation.throttle_body.screw_pitch_m
        self.plain = Case.as_recorded(len(self._u.offset), len(rows))

    def __call__(self, case: Case) -> float:
        """The density, all draws averaged."""
        evidence, u, plain = self._evidence, self._u, self._settings
        settings = replace(
            plain,
            needle_m=plain.needle_m + self._pitch * case.screw + case.shift_m,
            ln_density=plain.ln_density + case.ln_density,
        )
        moved: Unknowns = replace(u, exhaust_scale=u.exhaust_scale * np.exp(case.ln_scale))
        ends = mixtures_with(self._gains, u, settings, evidence.throttle)
        full = ends.full + case.full
        if case.drop is not None:
            full = np.minimum(full, full[:, :1] - case.drop)
        shifted = Ends(full, ends.idle + case.idle, ends.opening)
        each = log_likelihood(self._readings, moved, shifted, settings, evidence.scales)
        together: _F = np.broadcast_to(each, (len(u.offset), plain.needle_m.size)).sum(axis=1)
        top = float(together.max())
        return top + float(np.log(np.mean(np.exp(together - top))))
