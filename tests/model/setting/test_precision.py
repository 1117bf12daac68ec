"""Drawing goes on until the number of draws no longer shows in the figures; few draws are not the last word."""

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from model.advisor import Advisor
from model.learning.evidence import gather
from model.learning.memory import Log
from model.learning.packed import data_of
from model.learning.sampler import CHAINS, FIRST_TRY, TRIES, Posterior
from model.setting import precision
from model.setting.precision import ERRORS_MOST, MEASURES, precise, quantities, summaries
from shared.records import Acknowledge, ChangeNeedle, Entry, Installation, TurnIdleStop, TurnScrew
from shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run


@pytest.fixture
def log(air: Air) -> Sequence[Entry]:
    """Two runs and a step between them; invented."""
    one = Run(air, rise=ExhaustRise(RiseSeen.PEAK, 90.0), idle_quality=IdleQuality.SLIGHTLY_RICH)
    two = Run(air, rise=ExhaustRise(RiseSeen.PEAK, 75.0), idle_quality=IdleQuality.SMOOTH)
    return (one, TurnScrew(-0.125), two)


def test_errors_are_those_of_the_textbook() -> None:
    """Independent normal draws: 1/√n of a mean, 1/√2n of a standard deviation, √(p(1−p)/n)/φ(z) of a quantile (van der
    Vaart, Asymptotic Statistics, 1998, examples 3.2 and corollary 21.5; from memory).
    """
    n = 40_000
    drawn = np.random.default_rng(5).standard_normal((30, 4, n // 4))
    density = np.exp(-0.5 * 1.6448536**2) / np.sqrt(2.0 * np.pi)
    tail = np.sqrt(0.05 * 0.95 / n) / density
    expected = {"mean": n**-0.5, "sd": (2.0 * n) ** -0.5, "quantile_5": tail, "quantile_95": tail}
    for measure, (found, error) in summaries(drawn).items():
        assert np.mean(error) == pytest.approx(expected[measure], rel=0.1), measure
        truth = {"mean": 0.0, "sd": 1.0, "quantile_5": -1.6448536, "quantile_95": 1.6448536}[measure]
        assert np.sqrt(np.mean(((found - truth) / error) ** 2)) == pytest.approx(1.0, abs=0.35), measure


def test_what_is_told_is_settled(settling: Advisor, installation: Installation, log: Sequence[Entry]) -> None:
    """Not after a first fit; then by more chains, the first of them as they were. Again the same."""
    first = settling.sampler.fit(gather(installation, log), settling.seed)
    assert not precise(first)
    told = settling.learn(installation, log).posterior
    assert precise(told)
    assert told.diagnostics.converged
    assert told.diagnostics.chains > CHAINS
    assert len(told.unknowns.offset) == told.diagnostics.chains * told.diagnostics.draws
    np.testing.assert_array_equal(told.unknowns.offset[: len(first.unknowns.offset)], first.unknowns.offset)
    chains = quantities(told)["offset_turns"]
    assert len(np.unique(chains, axis=0)) == told.diagnostics.chains  # none of them twice
    again = settling.learn(installation, log).posterior
    np.testing.assert_array_equal(again.unknowns.ln_full, told.unknowns.ln_full)


def test_a_first_answer_does_not_wait_for_it(
    advisor: Advisor, installation: Installation, log: Sequence[Entry]
) -> None:
    """Where nothing is remembered, what a first fit gives is told as a first answer; the settled one is none."""
    fresh = Advisor(advisor.seed, settle=True)
    fresh.sampler = advisor.sampler
    quick = fresh.learn_quickly(installation, log)
    assert quick is not None
    assert quick.quick
    assert quick.posterior.diagnostics.k_hat is None
    assert (quick.posterior.diagnostics.chains, quick.posterior.diagnostics.draws) == (CHAINS, FIRST_TRY["draws"])
    assert fresh.suggest(quick).provenance.quick
    full = fresh.learn(installation, log)
    assert not fresh.suggest(full).provenance.quick
    assert full.confidence.suspicions == quick.confidence.suspicions
    run = replace(log[-1], idle_rpm=790.0)  # type: ignore[type-var]
    longer = fresh.learn_quickly(installation, (*log, run))
    assert longer is not None
    assert longer.quick


def test_a_turn_teaches_nothing(advisor: Advisor, installation: Installation, log: Sequence[Entry]) -> None:
    """So nothing is drawn for it, and the answer in full is there at once: the one a fresh adviser would give."""
    knowing, fresh = Advisor(advisor.seed, settle=True), Advisor(advisor.seed, settle=True)
    knowing.sampler = fresh.sampler = advisor.sampler
    for turned in (TurnScrew(-0.125), TurnIdleStop(0.125), Acknowledge("a loose baffle")):
        plain, longer = (data_of(gather(installation, each)) for each in (log, (*log, turned)))
        assert plain.keys() == longer.keys()
        assert all(np.array_equal(plain[name], longer[name]) for name in plain), turned
    before = knowing.learn(installation, log)
    for more in ((TurnScrew(-0.125),), (TurnIdleStop(0.125), Acknowledge("a loose baffle"))):
        assert knowing.learn_quickly(installation, (*log, *more)) is None
        after = knowing.learn(installation, (*log, *more))
        assert after.posterior.unknowns is before.posterior.unknowns
        assert not after.quick
    assert before.evidence.position.idle_stop_turns == 0.0
    assert after.evidence.position.idle_stop_turns == 0.125
    anew = fresh.learn(installation, (*log, *more))
    np.testing.assert_array_equal(anew.posterior.unknowns.ln_full, after.posterior.unknowns.ln_full)
    assert fresh.suggest(anew) == knowing.suggest(after)
    another = (*log, ChangeNeedle(installation.needles[0].label, 0.25))
    assert knowing.learn_quickly(installation, another) is not None  # it is held apart from here on


def test_a_suggestion_tells_the_settled_chance(
    settling: Advisor, installation: Installation, log: Sequence[Entry]
) -> None:
    """Candidates are weighed on fewer draws; the confidence is that of all of them."""
    learned = settling.learn(installation, log)
    suggestion = settling.suggest(learned)
    assert suggestion.confidence == learned.confidence
    assert suggestion.provenance.diagnostics == learned.posterior.diagnostics
    assert suggestion.alternatives


def test_a_first_fit_will_do_where_it_is_asked_for(
    advisor: Advisor, installation: Installation, log: Sequence[Entry]
) -> None:
    """Campaigns of thousands take it."""
    plain = Advisor(advisor.seed, settle=False)
    plain.sampler = advisor.sampler
    told = plain.learn(installation, log).posterior.diagnostics
    assert (told.chains, told.draws) == (CHAINS, FIRST_TRY["draws"])


class _Sampler:
    """Chains that drift apart as soon as there are more than four, unless they were drawn with enough care."""

    def __init__(self, posterior: Posterior, enough: int) -> None:
        self._first, self._enough = posterior, enough
        self.made: list[int] = []

    def fit(self, _evidence: Any, _seed: int, refits: int = 0) -> Posterior:
        self.made.append(refits)
        return replace(self._first, diagnostics=replace(self._first.diagnostics, refits=refits))

    def further(self, posterior: Posterior) -> Posterior:
        told = posterior.diagnostics
        together = replace(told, chains=told.chains + CHAINS, converged=told.refits >= self._enough)
        return replace(posterior, diagnostics=together)


@pytest.mark.parametrize(("enough", "made", "converged"), [(0, [0], True), (2, [0, 1, 2], True), (3, [0, 1, 2], False)])
def test_chains_that_disagree_are_drawn_with_more_care(
    enough: int,
    made: list[int],
    converged: bool,
    advisor: Advisor,
    installation: Installation,
    log: Sequence[Entry],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As long as there is more care to take; then they are not believed. It ends either way."""
    first = advisor.sampler.fit(gather(installation, log), advisor.seed)
    adviser = Advisor(advisor.seed, settle=True)
    adviser.sampler = stand_in = _Sampler(first, enough)  # type: ignore[assignment]
    monkeypatch.setattr("model.advisor.precise", lambda posterior: posterior.diagnostics.chains > 2 * CHAINS)
    settled = adviser._settled(Log(installation, tuple(log), adviser.prior))
    assert stand_in.made == made
    assert settled.diagnostics.converged is converged
    assert max(made) < TRIES


def test_every_measure_is_held_to_its_own_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """One unknown of which one figure is too rough keeps all from being settled."""
    monkeypatch.setattr(precision, "quantities", lambda _: {"offset": np.zeros((4, 2))})
    fine = {m: (np.ones(2), np.full(2, 0.99 * ERRORS_MOST[m])) for m in MEASURES}
    for rough in ("", *MEASURES):
        found = dict(fine)
        if rough:
            found[rough] = (np.ones(2), np.array([0.0, 1.01 * ERRORS_MOST[rough]]))
        monkeypatch.setattr(precision, "summaries", lambda _, found=found: found)
        assert precise(SimpleNamespace()) is (not rough)  # type: ignore[arg-type]
