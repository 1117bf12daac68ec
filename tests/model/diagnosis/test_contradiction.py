"""Readings that no engine gives are seen before anything is drawn; those of an engine never pass for them."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.diagnosis.contradiction import contradicts_itself
from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.sampler import Posterior
from taperwise.model.recommender import Recommender
from taperwise.shared.reasons import NoticeCode, ReasonCode
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, RiseSeen, Run
from tests import recorded as posteriors
from tests.benchmarks.long_logs import at_random, of_an_engine

_AIR = Air(288.15, 101_325.0)


@pytest.mark.parametrize("runs", [20, 60, 229, 1000])
def test_random_readings_contradict_each_other(installation: Installation, rng: np.random.Generator, runs: int) -> None:
    """Whatever the length of the log."""
    assert contradicts_itself(gather(installation, at_random(rng, runs)))


@pytest.mark.parametrize("runs", [3, 30, 60])
def test_an_engine_does_not(installation: Installation, rng: np.random.Generator, runs: int) -> None:
    """Forty engines drawn from the prior, in any air; a slip of the pen in every tenth run changes nothing."""
    for seed in range(40):
        log = of_an_engine(installation, rng, seed, runs)
        assert not contradicts_itself(gather(installation, log)), seed
        for number, entry in enumerate(log):
            if number % 10 == 0 and isinstance(entry, Run) and entry.static_rpm:
                log[number] = replace(entry, static_rpm=10.0 * entry.static_rpm)
        assert not contradicts_itself(gather(installation, log)), seed


def test_few_runs_are_left_to_the_sampler(installation: Installation, rng: np.random.Generator) -> None:
    """Seven runs are not enough to say that no engine gives them."""
    assert not contradicts_itself(gather(installation, at_random(rng, 7)))


@pytest.mark.parametrize("seen", [RiseSeen.FELL_AT_ONCE, RiseSeen.ROUGH_BEFORE_PEAK])
def test_no_rise_is_no_contradiction(installation: Installation, seen: RiseSeen) -> None:
    """Runs that only say that a rise is above or below something."""
    runs = [
        Run(_AIR, ExhaustRise(seen, 200.0 * (number % 2) * (seen is not RiseSeen.FELL_AT_ONCE))) for number in range(60)
    ]
    assert not contradicts_itself(gather(installation, runs))


def test_a_contradiction_is_told_after_a_few_draws(
    installation: Installation, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No try in full, no fit of an earlier log: the suggestion says at once that the readings contradict each other."""
    adviser, asked = posteriors.advisor_with(posteriors.Prior(400)), list[int]()
    sampler = adviser.sampler
    fit = sampler.fit

    def once(evidence: Evidence, seed: int, _options: object) -> Posterior:
        asked.append(evidence.runs)
        return fit(evidence, seed)

    monkeypatch.setattr(sampler, "fit_once", once, raising=False)
    monkeypatch.setattr(sampler, "fit", lambda *_: pytest.fail("a try in full"))
    suggestion = adviser.suggest(adviser.learn(installation, at_random(rng, 60)))
    assert asked == [60]
    assert suggestion.why.code is ReasonCode.NOT_TRUSTED
    assert [notice.code for notice in suggestion.warnings] == [NoticeCode.NOT_CONVERGED]


def test_draws_of_a_contradiction_are_bounded(
    installation: Installation, rng: np.random.Generator, recommender: Recommender
) -> None:
    """A twentieth of the gradients that two tries may take, in the warm-up too, and not to be believed."""
    posterior = recommender.fit(installation, at_random(rng, 60))
    assert posterior.steps["n_steps"].size == 400
    assert posterior.steps["n_steps"].max() < 16
    assert not posterior.diagnostics.converged
