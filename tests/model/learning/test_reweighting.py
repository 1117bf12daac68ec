"""A quick answer is what drawing anew would give, or is not given."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from model.advisor import Advisor
from model.engine.mixture import Unknowns
from model.learning.engine_prior import EXPERT, EnginePrior
from model.learning.evidence import gather
from model.learning.reweighting import DRAWS, K_HAT_MOST, _smoothed, _systematic, reweighted
from model.learning.sampler import ESS_LEAST, LONG, Posterior
from model.setting.outlook import look
from shared.records import Acknowledge, ChangeNeedle, Entry, Installation, TurnScrew
from shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)


def _run(degf: float, idle: IdleQuality = IdleQuality.SMOOTH, **more: float) -> Run:
    return Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, degf / 1.8), idle_quality=idle, **more)


@pytest.fixture(scope="module")
def log() -> tuple[Entry, ...]:
    """Twelve runs on the way to the middle of the band."""
    entries: list[Entry] = []
    for degf in (230.0, 190.0, 150.0, 120.0):
        entries += [_run(degf, IdleQuality.SLIGHTLY_RICH, idle_rpm=810.0), _run(degf + 8.0), _run(degf - 9.0)]
        entries.append(TurnScrew(-0.125))
    return tuple(entries)


@pytest.fixture(scope="module")
def before(advisor: Advisor, log: tuple[Entry, ...]) -> Posterior:
    """The posterior of that log, drawn at length."""
    return advisor.sampler.fit_once(gather(Installation(NEEDLES, "taper 30.0"), log), 1, LONG)


def _columns(u: Unknowns) -> NDArray[np.float64]:
    """All unknowns side by side, (draws, unknowns)."""
    return np.concatenate([getattr(u, name) for name in Unknowns.names()], axis=1)


def _errors(found: Posterior, reference: Posterior) -> NDArray[np.float64]:
    """By how many standard deviations the means are off, of every unknown."""
    x, y = _columns(found.unknowns), _columns(reference.unknowns)
    return (x.mean(axis=0) - y.mean(axis=0)) / y.std(axis=0)


def test_a_conjugate_normal() -> None:
    """Draws of N(0, 1), weighed by a reading of 0.8 ± 0.6, are those of N(0.588, 0.514).

    Source: the conjugate normal model, Gelman et al., Bayesian Data Analysis, 3rd ed., eq. 2.10 (from memory):
    precision 1 + 1/0.36, mean 0.8 · (1/0.36) over it.
    """
    rng = np.random.default_rng(3)
    theta = rng.standard_normal(200_000)
    ln_weights, k_hat = _smoothed(-0.5 * ((0.8 - theta) / 0.6) ** 2)
    taken = theta[_systematic(np.exp(ln_weights), 100_000, rng)]
    assert k_hat < 0.2
    assert taken.mean() == pytest.approx(0.8 / 0.36 / (1.0 + 1.0 / 0.36), abs=0.01)
    assert taken.std() == pytest.approx((1.0 + 1.0 / 0.36) ** -0.5, abs=0.01)


def test_each_draw_is_taken_as_often_as_its_weight_says() -> None:
    """Rounded up or down, whatever the start."""
    weights = np.array([0.1, 0.0, 0.55, 0.05, 0.3])
    for seed in range(50):
        counts = np.bincount(_systematic(weights, 9, np.random.default_rng(seed)), minlength=5)
        assert counts.sum() == 9
        assert (np.abs(counts - 9 * weights) < 1.0 + 1e-9).all()


def test_it_is_what_drawing_anew_gives(
    advisor: Advisor, installation: Installation, log: tuple[Entry, ...], before: Posterior
) -> None:
    """One run more, whose readings move what is known: no mean is off by more than Monte Carlo error allows."""
    now = gather(installation, (*log, _run(70.0, IdleQuality.SLIGHTLY_LEAN)))
    found, drawn = reweighted(before, now), advisor.sampler.fit_once(now, 2, LONG)
    assert found is not None
    d = found.diagnostics
    assert d.k_hat is not None
    assert d.k_hat <= K_HAT_MOST
    assert min(d.ess_bulk_min, d.ess_tail_min) >= ESS_LEAST
    assert len(found.unknowns.offset) == DRAWS
    at = [look(p, [now.position], now.ln_density)[0] for p in (before, found, drawn)]
    was, quick, full = (float(np.mean(o.rise)) for o in at)
    spread = float(np.std(at[2].rise))
    assert abs(was - full) > 0.3 * spread  # the run said something
    assert abs(quick - full) < 4.5 * spread * (1.0 / d.ess_bulk_min + 1.0 / drawn.diagnostics.ess_bulk_min) ** 0.5
    assert float(np.std(at[1].rise)) == pytest.approx(spread, rel=0.15)
    # what is at the pivot is told at a pivot each; all else is one thing
    names = [n for n in Unknowns.names() if n not in ("ln_full", "ln_idle", "static_rpm", "idle_rpm")]
    x, y = (np.concatenate([getattr(p.unknowns, n) for n in names], axis=1) for p in (found, drawn))
    off = (x.mean(axis=0) - y.mean(axis=0)) / y.std(axis=0)
    assert np.abs(off).max() < 4.5 * (1.0 / d.ess_bulk_min + 1.0 / drawn.diagnostics.ess_bulk_min) ** 0.5


def test_where_nothing_was_run_since_nothing_is_weighed(
    installation: Installation, log: tuple[Entry, ...], before: Posterior
) -> None:
    """A turn says nothing of the engine: each draw counts as much as any other."""
    found = reweighted(before, gather(installation, (*log, TurnScrew(0.125))))
    assert found is not None
    assert found.diagnostics.k_hat == 0.0
    assert found.evidence.position.turns == before.evidence.position.turns + 0.125
    assert np.abs(_errors(found, before)).max() < 4.5 * DRAWS**-0.5


@pytest.mark.parametrize("case", ["surprise", "prior", "cylinders", "changes", "not converged"])
def test_not_to_be_believed(installation: Installation, log: tuple[Entry, ...], before: Posterior, case: str) -> None:
    """Runs that few draws foretold, or draws that mean something else: then it is drawn anew."""
    more: Sequence[Entry] = (_run(110.0),)
    prior: EnginePrior = EXPERT
    match case:
        case "surprise":
            more = tuple(_run(degf, IdleQuality.RICH_LOADING_UP) for degf in (280.0, 300.0, 290.0))
        case "prior":
            prior = EnginePrior(tuple(0.5 for _ in EXPERT.centre), EXPERT.root)
        case "cylinders":
            more = (Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 60.0, 3.0, 4, 10.0)),)
        case "changes":
            more = (*(ChangeNeedle(n.label) for n in installation.needles * 2), _run(110.0))
        case "not converged":
            before = replace(before, diagnostics=replace(before.diagnostics, converged=False))
    assert (reweighted(before, gather(installation, (*log, _run(110.0)))) is None) is (case == "not converged")
    assert reweighted(before, gather(installation, (*log, *more), prior)) is None


def test_the_adviser_remembers_what_it_needs(
    installation: Installation, log: tuple[Entry, ...], advisor: Advisor
) -> None:
    """Quick is what rests on the log before, with the same doubts; nothing is where that was not learned."""
    other = Advisor(advisor.seed, settle=False)
    other.sampler = advisor.sampler
    longer = (*log, TurnScrew(-0.125), _run(105.0))
    assert other.learn_quickly(installation, longer) is None
    runs = [i for i, entry in enumerate(log) if isinstance(entry, Run)]
    other.learn(installation, log)
    assert other.learn_quickly(installation, longer) is None  # what the doubts are asked of was not learned
    other.learn(installation, log[: runs[-1] + 1])
    found = other.learn_quickly(installation, longer)
    assert found is not None
    assert found.posterior.diagnostics.k_hat is not None
    again = other.learn_quickly(installation, longer)
    assert again is not None
    assert again.confidence == found.confidence
    assert other.suggest(again) == other.suggest(found)
    assert other.suggest(found).provenance.diagnostics.k_hat == found.posterior.diagnostics.k_hat
    full = other.learn(installation, longer)
    assert full.posterior.diagnostics.k_hat is None
    assert found.confidence.doubt == pytest.approx(full.confidence.doubt, abs=1e-9)  # the same posteriors were asked
    assert found.confidence.full_throttle.chance_in_band == pytest.approx(
        full.confidence.full_throttle.chance_in_band, abs=0.1
    )
    assert other.learn_quickly(installation, longer) is None  # learned in full by now
    assert other.learn_quickly(installation, (*log, *[_run(100.0)] * 5)) is None  # too much came since
    assert other.learn_quickly(installation, log[: runs[3]]) is None


def test_an_acknowledgement_is_no_reason_to_draw_anew(
    installation: Installation, log: tuple[Entry, ...], advisor: Advisor
) -> None:
    """What was found and mended says nothing of the engine's mixture."""
    before = advisor.learn(installation, log)
    found = advisor.learn(installation, (*log, Acknowledge("a loose baffle")))
    assert found.posterior.unknowns is before.posterior.unknowns
    assert not found.confidence.suspicions
