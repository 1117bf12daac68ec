"""Something is wrong: were the latest runs foretold by those before them, or does another story fit better?

Every story (`model.doubt.stories`) may have begun with any of the latest runs. The posterior before that run
predicts it and all runs since, together, under the story and under "all as recorded"; the ratio of the
two predictive densities, times the story's prior, gives its probability. Nothing is fitted anew, and a
fault that hides behind the scatter of one run shows in the next ones. Given the unknowns runs are independent: what
the earlier ones said to each draw is remembered, and a further run costs no more than itself.
"""

import threading
import weakref
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from model.doubt.stories import STORIES, Case, Story
from model.engine.air import density_ratio
from model.engine.mixture import Ends, Settings, Unknowns, flow_gains, mixtures_with
from model.learning.evidence import Evidence, Position, readings_of, settings_of
from model.learning.likelihood import log_likelihood
from model.learning.sampler import Posterior
from model.setting.outlook import pivot_of, widened
from shared.advice import Suspicion
from shared.runs import Run

__all__ = ["ALARM", "ALARM_AT_THE_END", "LATEST", "WORTH_A_LOOK", "Foretold", "suspicions"]

ALARM = 0.9
"""Probability that not all is as recorded from which looking for the cause comes before the next step; judgement."""

ALARM_AT_THE_END = 0.5
"""The same where the next word would be the last one, "tuned" or "no needle fits": then a look costs no run;
judgement."""

WORTH_A_LOOK = 0.05
"""Probability from which a story's cause is among those to look at; judgement."""

LATEST = 5
"""Runs with which a story may have begun; a story older than that has become part of what is known; judgement."""

_REMEMBERED = 40  # posteriors that foretold runs, a fifth of a megabyte each

_F = NDArray[np.float64]
_Trail = tuple[tuple[Position, Run], ...]


@dataclass(frozen=True)
class _Told:
    """What runs said of the stories that may have begun with the first of them.

    Parameters
    ----------
    foretold_by : weak reference to Unknowns
        The draws that foretold them.
    changes : int
        Columns those were widened by.
    trail : tuple of (Position, Run)
    ln_densities : array, (1 + stories, draws)
        Of all their readings, draw by draw: as recorded, then under every story.
    """

    foretold_by: weakref.ref[Unknowns]
    changes: int
    trail: _Trail
    ln_densities: _F


class Foretold:
    """What posteriors foretold of the runs after them, those asked last. Safe to share between threads."""

    def __init__(self) -> None:
        self._known: OrderedDict[int, _Told] = OrderedDict()
        self._lock = threading.Lock()

    def beginning_of(self, before: Posterior, changes: int, trail: _Trail) -> _Told | None:
        """What is known of the first of these runs, of as many of them as were asked about together."""
        with self._lock:
            known = self._known.get(id(before.unknowns))
        if known is None or known.foretold_by() is not before.unknowns or known.changes != changes:
            return None
        return known if known.trail == trail[: len(known.trail)] else None

    def keep(self, before: Posterior, told: _Told) -> None:
        """Remember it in place of what was known of fewer runs."""
        with self._lock:
            self._known[id(before.unknowns)] = told
            self._known.move_to_end(id(before.unknowns))
            while len(self._known) > _REMEMBERED:
                self._known.popitem(last=False)


def suspicions(befores: Sequence[Posterior], now: Evidence, foretold: Foretold | None = None) -> tuple[Suspicion, ...]:
    """How likely each story is after the latest runs, the cheapest to look at first; empty where none can be told.

    Parameters
    ----------
    befores : sequence of Posterior
        Of the log up to each of the runs before the latest one, for as many runs back as a story may have begun.
    now : Evidence
        The whole log.
    foretold : Foretold, optional
        What they foretold of earlier runs, and where to remember it; the figures are the same without.

    Returns
    -------
    tuple of Suspicion
        Their chances and the chance that all is as recorded sum to 1.
    """
    odds: dict[Story, dict[int, float]] = {}
    memory = foretold or Foretold()
    for before in befores:
        start = before.evidence.runs
        for story, found in _odds_since(before, now.trail[start:], memory).items():
            odds.setdefault(story, {})[start + 1] = found
    if not odds:
        return ()
    total = 1.0 + sum(sum(each.values()) for each in odds.values())
    return tuple(
        Suspicion(s.kind, sum(odds[s].values()) / total, s.what, s.look_at, max(odds[s], key=lambda n: odds[s][n]))
        for s in STORIES
        if s in odds
    )


def _odds_since(before: Posterior, trail: _Trail, foretold: Foretold) -> dict[Story, float]:
    """Odds of every story that may have begun with the first of these runs, against "all as recorded"."""
    start = before.evidence.position
    positions = tuple(position for position, _ in trail)
    if any(len(b.changes) - len(a.changes) > 1 for a, b in zip((start, *positions), positions, strict=False)):
        return {}
    stories = [s for s in STORIES if s.applies(start, positions[0])]
    plain, *others = _averaged(_told(before, trail, stories, foretold).ln_densities)
    sound = 1.0 - sum(s.prior for s in stories)
    # bounded: beyond that all is certain, and odds must stay finite
    gains = {s: min(other - plain, 500.0) for s, other in zip(stories, others, strict=True)}
    return {s: s.prior / sound * float(np.exp(gain)) for s, gain in gains.items()}


def _averaged(ln_densities: _F) -> list[float]:
    """Ln of each row's mean density over all draws."""
    top = ln_densities.max(axis=1)
    return [float(x) for x in top + np.log(np.mean(np.exp(ln_densities - top[:, None]), axis=1))]


def _told(before: Posterior, trail: _Trail, stories: Sequence[Story], foretold: Foretold) -> _Told:
    """What these runs say of every story, from what is known of the first of them."""
    start = before.evidence.position
    changes = max(1, *(len(position.changes) - len(start.changes) for position, _ in trail))
    known = foretold.beginning_of(before, changes, trail)
    since = 0 if known is None else len(known.trail)
    if known is not None and since == len(trail):
        return known
    rng = np.random.default_rng([before.seed, 5])
    density = _Density(before, trail[0], trail[since:], changes)
    first, late = trail[0][0], tuple(position for position, _ in trail[since:])
    recorded = Case.as_recorded(len(before.unknowns.offset), len(late))
    cases = [recorded, *(s.change(recorded, start, first, late, rng) for s in stories)]
    ln_densities = np.stack([density(case) for case in cases])
    if known is not None:
        ln_densities += known.ln_densities
    told = _Told(weakref.ref(before.unknowns), changes, trail, ln_densities)
    foretold.keep(before, told)
    return told


class _Density:
    """Log predictive densities of the readings of runs that follow a posterior.

    Parameters
    ----------
    before : Posterior
    first : tuple of (Position, Run)
        The first of the runs after it, with which a story may have begun.
    late : tuple of (Position, Run)
        Those asked about.
    changes : int
        Changes made since, for which the draws have no columns yet.
    """

    def __init__(self, before: Posterior, first: tuple[Position, Run], late: _Trail, changes: int) -> None:
        evidence = self._evidence = before.evidence
        self._u = widened(before.unknowns, before.seed, changes)
        self._gains = flow_gains(self._u, pivot_of(evidence, changes), evidence.throttle)
        self._first = mixtures_with(self._gains, self._u, self._at((first,), changes), evidence.throttle).full
        self._settings = self._at(late, changes)
        self._readings = readings_of([run for _, run in late])
        self._pitch = evidence.installation.throttle_body.screw_pitch_m

    def _at(self, trail: _Trail, changes: int) -> Settings:
        rows = [(position, float(np.log(density_ratio(run.air)))) for position, run in trail]
        return settings_of(self._evidence.installation, rows, self._evidence.first_change, extra=changes)

    def __call__(self, case: Case) -> _F:
        """Of all readings of those runs under a case, (draws,)."""
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
            full = np.minimum(full, self._first - case.drop)
        shifted = Ends(full, ends.idle + case.idle, ends.opening)
        each = log_likelihood(self._readings, moved, shifted, settings, evidence.scales)
        together: _F = np.broadcast_to(each, (len(u.offset), plain.needle_m.size)).sum(axis=1)
        return together
