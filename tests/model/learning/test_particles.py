"""Particles tell what the sampler tells, before there is one."""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from api.bench.histories import histories
from api.files.installation import installation_from
from model.advisor import Advisor
from model.doubt.faults import ALARM
from model.learning.engine_prior import EXPERT, POOLED, pooled_of, prior_from
from model.learning.evidence import gather
from model.learning.particles import posteriors
from model.learning.sampler import LONG, Posterior
from model.setting.precision import quantities
from shared.records import Entry, Installation, TurnScrew
from shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_AIR = Air(288.15, 101_325.0)


def _run(degf: float) -> Run:
    return Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, degf / 1.8), idle_quality=IdleQuality.SMOOTH, static_rpm=2780.0)


def _flat(posterior: Posterior) -> NDArray[np.float64]:
    """Every scalar unknown and the two that matter, (quantities, draws)."""
    found = quantities(posterior)
    return np.stack([draws.ravel() for draws in found.values()])


def _off(mine: Posterior, theirs: Posterior) -> tuple[float, float]:
    """Largest error of a mean in standard deviations, and of a standard deviation as a share of it."""
    ours, reference = _flat(mine), _flat(theirs)
    mean = np.abs(ours.mean(axis=1) - reference.mean(axis=1)) / reference.std(axis=1)
    return float(np.max(mean)), float(np.max(np.abs(ours.std(axis=1) / reference.std(axis=1) - 1.0)))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["fell at once only", "contradictory", "thirty runs", "changes", "instruments"])
def test_they_tell_what_the_sampler_tells(advisor: Advisor, kind: str) -> None:
    """Of logs as the bench of updates has: means within 0.15 standard deviations of 10,000 draws of the sampler,
    standard deviations within a fifth.
    """
    sent = installation_from(None)
    history = next(each for each in histories(sent, 20, 3) if each.name.startswith(kind))
    evidence = gather(sent.record(), history.entries)
    (mine,) = posteriors([evidence], 7)
    mean, sd = _off(mine, advisor.sampler.fit_once(evidence, 1, LONG))
    assert mine.diagnostics.converged
    assert mean < 0.15
    assert sd < 0.2


@pytest.mark.parametrize("odd", [0.0, 0.3])
def test_nothing_recorded_gives_the_prior(installation: Installation, odd: float) -> None:
    """Without a run they are the engine's prior, odd engines counted in."""
    p = len(POOLED)
    prior = prior_from(np.linspace(-0.6, 0.6, p), 0.3 * np.eye(p) + 0.1, odd)
    (posterior,) = posteriors([gather(installation, (), prior)], 3)
    theta = pooled_of(posterior.unknowns, posterior.evidence.pivot, posterior.evidence.throttle)
    assert np.allclose(theta.mean(axis=0), (1.0 - odd) * np.array(prior.centre), atol=0.07)
    assert np.allclose(np.cov(theta.T), prior.covariance(), atol=0.08)


def test_run_by_run_or_all_at_once(installation: Installation) -> None:
    """Led through the log as it grew they end where they end when led there at once; same seed, same draws."""
    log = [_run(230.0), TurnScrew(-0.25), _run(170.0), TurnScrew(-0.25), _run(125.0)]
    grown = [gather(installation, log[:end]) for end in (1, 3, 5)]
    by_steps, at_once = posteriors(grown, 5), posteriors(grown[-1:], 6)
    mean, sd = _off(by_steps[-1], at_once[-1])
    assert mean < 0.2
    assert sd < 0.2
    spreads = [float(np.std(each.unknowns.offset)) for each in by_steps]
    assert spreads[-1] < spreads[0]
    assert np.array_equal(_flat(posteriors(grown, 5)[-1]), _flat(by_steps[-1]))


def _quick(log: Sequence[Entry], installation: Installation) -> tuple[Advisor, float]:
    made = Advisor()
    learned = made.learn_quickly(installation, log)
    assert learned is not None
    assert learned.quick
    suggestion = made.suggest(learned)
    assert suggestion.provenance.quick
    return made, learned.confidence.doubt


def test_an_adviser_answers_before_it_is_ready(installation: Installation) -> None:
    """Without anything compiled there is a first answer, told as one; and it doubts what was not foretold."""
    made, doubt = _quick([_run(230.0), TurnScrew(-0.25), _run(165.0)], installation)
    assert not made.ready
    assert doubt < ALARM
    _, doubt = _quick([_run(120.0), _run(118.0), TurnScrew(-0.25), _run(185.0), _run(188.0)], installation)
    assert doubt >= ALARM


def test_what_does_not_agree_is_not_told(installation: Installation, monkeypatch: pytest.MonkeyPatch) -> None:
    """Crowds that part tell nothing: the sampler is waited for."""
    from model.learning import particles

    def apart(crowd: particles._Crowd, *_: object) -> None:
        crowd.q[: len(crowd.q) // 2] += 3.0

    monkeypatch.setattr(particles, "_lead", apart)
    assert Advisor().learn_quickly(installation, [_run(230.0)], EXPERT) is None
