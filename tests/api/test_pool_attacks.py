"""Attacks on the pool by someone who knows all contributions but one and sees every published version.

An advantage is that of the best threshold on the attacker's statistic: true positives less false positives, from 0
(guessing) to 1 (certainty).
"""

import math
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.interpolate import CubicSpline
from threadpoolctl import threadpool_limits

from taperwise.api.core.database import Database
from taperwise.api.pooling.disclosure_control import FLOOR, Behind, disclosure_violation
from taperwise.api.pooling.noise import noisy_sum, spent
from taperwise.api.pooling.release import release
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.engine_summaries import EngineSummaries
from taperwise.model.population.fitting import Population, PopulationSampler
from taperwise.model.population.predictive_prior import POPULATION_PRIORS
from taperwise.model.population.private_moments import SENSITIVITY, owner_vector, population_of_moments
from taperwise.model.population.published import publish
from taperwise.model.population.summary import Component, Summary
from taperwise.shared.errors import InvalidValueError

_P = len(POOLED)
_GAIN = POOLED.index("gain_full")
_PRECISION = np.diag([0.5, 0.2, 0.2, 0.2, 4.0, 16.0, 4.0])
_F = NDArray[np.float64]


def _summary(rng: np.random.Generator, away: float = 0.0) -> Summary:
    """One engine's summary: both gains read well, around half of the expert's spread, `away` from it."""
    return _summary_at(0.5 + away + 0.3 * rng.standard_normal(_P))


def _summary_at(theta: _F) -> Summary:
    return Summary((Component(_PRECISION, _PRECISION @ theta),), 0.0)


def _gain(summary: Summary) -> float:
    """What an engine's runs say of its gain at full throttle, in units of the expert prior."""
    return float(np.linalg.solve(_PRECISION, summary.components[0].shift)[_GAIN])


def _advantage(with_target: _F, without: _F) -> float:
    """Of the best threshold, fitted on one half of the trials and judged on the other."""
    fit, judge = (with_target[::2], without[::2]), (with_target[1::2], without[1::2])
    cuts = np.concatenate(fit)
    gains = [np.mean(fit[0] > c) - np.mean(fit[1] > c) for c in cuts]
    cut = cuts[int(np.argmax(gains))]
    return float(np.mean(judge[0] > cut) - np.mean(judge[1] > cut))


@pytest.mark.parametrize(("epsilon", "delta"), [(1.0, 1e-6), (3.0, 1e-6)])
def test_noise_hides_whether_an_owner_is_in_it(epsilon: float, delta: float) -> None:
    """Membership against the noisy sum: the attacker subtracts all they know and looks along the missing vector.

    An (ε, δ) promise bounds the advantage by (e^ε − 1 + 2δ)/(e^ε + 1) (Kairouz, Oh and Viswanath 2015,
    arXiv:1311.0776, theorem 3.3, with equal error rates); the attack is the likelihood ratio against Gaussian noise,
    so nobody can do better. The target is as far out as clipping lets it be. 600 trials, three standard errors.
    """
    rng = np.random.default_rng(5)
    known = np.stack([owner_vector([_summary(rng)]) for _ in range(120)])
    target = owner_vector([_summary(rng, away=30.0)])
    assert np.linalg.norm(target) == pytest.approx(SENSITIVITY, rel=0.02)
    scores: dict[bool, list[float]] = {True: [], False: []}
    for present in (True, False):
        pool = np.vstack([known, target]) if present else known
        for _ in range(300):
            noisy, scale, rho = noisy_sum(pool, epsilon, delta)
            scores[present].append(float((noisy - known.sum(axis=0)) @ target))
    found = _advantage(np.array(scores[True]), np.array(scores[False]))
    bound = (math.exp(epsilon) - 1 + 2 * delta) / (math.exp(epsilon) + 1)
    gaussian = math.erf(np.linalg.norm(target) / scale / 2 / math.sqrt(2))  # exact best advantage
    print(f"epsilon {epsilon:g}: membership advantage {found:.3f}, exact {gaussian:.3f}, promised at most {bound:.3f}")
    assert gaussian < bound
    assert found < gaussian + 3 * math.sqrt(0.5 / 150)
    assert spent([rho], delta) == pytest.approx(epsilon, rel=1e-6)


def test_what_versions_spend_together() -> None:
    """More than one of them, less than their sum, never beyond the bound of Bun and Steinke (2016), proposition 1.3:
    ρ + 2 √(ρ ln 1/δ), and never below what a Gaussian of that ρ exactly comes to (Balle and Wang 2018,
    arXiv:1805.06530, theorem 8).
    """
    delta = 1e-6
    _, _, rho = noisy_sum(np.zeros((120, 3)), 1.0, delta)
    before = 0.0
    for n in (1, 2, 4, 8):
        found, whole = spent([rho] * n, delta), n * rho
        assert before < found <= n * 1.0 + 1e-9
        assert found < whole + 2.0 * math.sqrt(whole * math.log(1.0 / delta))
        apart = math.sqrt(2.0 * whole)  # of two Gaussians, in their standard deviation
        exact = stats.norm.cdf(apart / 2 - found / apart) - math.exp(found) * stats.norm.cdf(-apart / 2 - found / apart)
        assert exact <= delta
        before = found


@pytest.mark.parametrize(
    ("epsilon", "delta", "field"), [(-1.0, 1e-6, "epsilon"), (11.0, 1e-6, "epsilon"), (math.nan, 1e-6, "epsilon"),
                                    (1.0, 0.0, "delta"), (1.0, 0.1, "delta"), (1.0, math.nan, "delta")],
)  # fmt: skip
def test_a_budget_that_promises_nothing_is_refused_first(
    tmp_path: Path, epsilon: float, delta: float, field: str
) -> None:
    """By name, whatever there is to publish."""
    with closing(Database(f"sqlite:///{tmp_path / 'empty.db'}")) as database:
        database.migrate()
        with pytest.raises(InvalidValueError) as refused:
            release(database, 5, datetime.now(UTC), epsilon=epsilon, delta=delta)
    assert refused.value.field == field


@pytest.mark.slow
def test_noise_keeps_an_owner_from_being_reconstructed(sampler: PopulationSampler) -> None:
    """Whoever knows all others tries which gain at full throttle of the last one makes what they see.

    A version of twenty engines without noise, as rounded, gives it away. So do the moments that noise is added to,
    before it is; with it the attacker is further off than by guessing the mean of the others.
    """
    rng = np.random.default_rng(6)
    gains = np.linspace(-0.7, 1.7, 9)  # four of the engines' spreads to either side
    candidates = [_summary_at(np.where(np.arange(_P) == _GAIN, gain, 0.5)) for gain in gains]

    known = [_summary(rng) for _ in range(19)]
    tried = np.stack([_of_gain(_fitted(sampler, [*known, each])) for each in candidates])
    targets = [_summary(rng) for _ in range(30)]
    of_version = np.abs([_nearest(_gain_told(_fitted(sampler, [*known, t])), tried, gains) - _gain(t) for t in targets])
    guess = np.abs([np.mean([_gain(k) for k in known]) - _gain(t) for t in targets])
    print(
        f"gain reconstructed from a version without noise: off by {of_version.mean():.3f}, guessed {guess.mean():.3f}"
    )
    assert of_version.mean() < guess.mean() / 5

    many = [_summary(rng) for _ in range(120)]
    vectors = np.stack([owner_vector([each]) for each in many])
    scale = noisy_sum(vectors, 1.0, 1e-6)[1]
    tried = np.stack(
        [_of_gain(population_of_moments(vectors.sum(axis=0) + owner_vector([each]), scale)) for each in candidates]
    )
    targets = [_summary(rng) for _ in range(200)]
    off: dict[bool, list[float]] = {True: [], False: []}
    for target in targets:
        pool = np.vstack([vectors, owner_vector([target])])
        for noise, total in ((True, noisy_sum(pool, 1.0, 1e-6)[0]), (False, pool.sum(axis=0))):
            found = _nearest(_of_gain(population_of_moments(total, scale)), tried, gains)
            off[noise].append(abs(found - _gain(target)))
    guess = np.abs([np.mean([_gain(each) for each in many]) - _gain(t) for t in targets])
    bare, noisy = np.mean(off[False]), np.mean(off[True])
    print(f"from moments of 121 owners: {bare:.4f} without noise, {noisy:.2f} with it, guessed {guess.mean():.2f}")
    assert bare < guess.mean() / 50
    assert noisy > 1.5 * guess.mean()


def _fitted(sampler: PopulationSampler, summaries: Sequence[Summary]) -> Population:
    """The service's approximation; it always begins with the same seed, so that an attacker can do the same."""
    return sampler.fit(_laid_out(summaries), POPULATION_PRIORS, 1, "approximation")


def _of_gain(population: Population) -> _F:
    """Centre and logarithm of the spread of the gain, (2,), not rounded."""
    return np.array([population.beta[:, 0, _GAIN].mean(), np.log(population.tau[:, _GAIN]).mean()])


def _gain_told(population: Population) -> _F:
    """The same as it is published."""
    mean = publish(population).mean
    return np.array([mean[_GAIN], mean[len(mean) - _P + _GAIN]])


def _nearest(seen: _F, tried: _F, gains: _F) -> float:
    """The gain whose centre and spread come nearest to those seen, between what was tried by a cubic spline."""
    fine = np.linspace(gains[0], gains[-1], 2401)
    return float(fine[np.argmin(np.sum((CubicSpline(gains, tried)(fine) - seen) ** 2, axis=1))])


def test_noise_is_refused_where_it_costs_more_than_it_gives() -> None:
    """Below a hundred owners the noise on a centre would be of the size of what the pool tells."""
    rng = np.random.default_rng(7)
    few = np.stack([owner_vector([_summary(rng)]) for _ in range(99)])
    with pytest.raises(InvalidValueError, match="at least 100 owners"):
        noisy_sum(few, 1.0, 1e-6)
    many = np.stack([owner_vector([_summary(rng)]) for _ in range(1000)])
    noisy, scale, _ = noisy_sum(many, 1.0, 1e-6)
    assert 0.2 < scale / 100 < 0.6  # of the expert's spread, at a hundred owners
    made = population_of_moments(noisy, scale)
    at = POOLED.index("gain_full")
    assert made.beta[:, 0, at].mean() == pytest.approx(0.5 * 16 / 17, abs=0.15)
    assert np.median(made.tau[:, at]) < 0.6


def _laid_out(summaries: Sequence[Summary]) -> EngineSummaries:
    covariates = np.zeros((len(summaries), POPULATION_PRIORS.beta.shape[0]))
    covariates[:, 0] = 1.0
    return EngineSummaries(
        np.stack([s.components[0].precision for s in summaries])[:, None],
        np.stack([s.components[0].shift for s in summaries])[:, None],
        np.zeros((len(summaries), 1)),
        covariates,
    )


@pytest.fixture(scope="module")
def sampler() -> Iterator[PopulationSampler]:
    """As a release fits with; threads within such small products would only stand in each other's way."""
    with threadpool_limits(1, "blas"):
        yield PopulationSampler(_P, POPULATION_PRIORS.beta.shape[0])


@pytest.mark.slow
def test_what_the_floor_does_and_does_not_hide(sampler: PopulationSampler) -> None:
    """Without noise, versions in batches hide an engine from readers, not from one who knows all the others.

    A reader who holds an engine's summary sees two versions that differ by the smallest batch the guard lets through;
    is the engine in that batch? By centres nobody can do better than one who is shown the exact sum of five, and the
    attack comes up to that; spreads tell a little more (0.51 with 900 batches). Of a batch of one they would know. The
    one who knows all others fits the pool with it and says yes where just that was published. Fits are the service's
    own approximation, values as published. The last advantage is near 1 and is meant to be stated, not hidden: only
    noise helps against it.
    """
    rng = np.random.default_rng(8)
    first, batch = [_summary(rng) for _ in range(15)], _least_batch(15)
    change, places = _versions(sampler, first, [[_summary(rng) for _ in range(batch)] for _ in range(100)])
    by_centres, error = _membership(change[:, :_P], places)
    by_both, error_of_both = _membership(change, np.concatenate([places, places**2], axis=2))
    others = [*first, *(_summary(rng) for _ in range(4))]
    change, places = _versions(sampler, others, [[_summary(rng)] for _ in range(40)])
    alone, _ = _membership(change, np.concatenate([places, places**2], axis=2))
    known = float(np.mean(np.any(change != np.roll(change, 1, axis=0), axis=1)))
    best = _best_advantage(5, _P)
    print(
        f"membership advantage of a reader of all versions: {by_centres:.2f} by centres (the best there can be: "
        f"{best:.2f}), {by_both:.2f} by spreads too; {alone:.2f} if they differed by one; {known:.2f} of one who knows "
        "all the others"
    )
    assert abs(by_centres - best) < 3 * error
    assert by_both < 0.51 + 3 * error_of_both
    assert max(error, error_of_both) < 0.04
    assert alone > by_both + 0.3
    assert known > 0.95
    assert batch == 5


def _least_batch(engines: int) -> int:
    """How many owners have to come before the guard lets a second version through."""
    first = {f"d{i}": Behind(f"o{i}", "log") for i in range(engines)}
    more = {f"e{i}": Behind(f"p{i}", "log") for i in range(engines)}
    return next(
        n for n in range(1, engines) if not disclosure_violation(first | dict(list(more.items())[:n]), [first], FLOOR)
    )


def _versions(
    sampler: PopulationSampler, first: Sequence[Summary], batches: Sequence[Sequence[Summary]]
) -> tuple[_F, _F]:
    """How what is published changes with each batch, (batches, 2 p), and its engines' places, (batches, n, p)."""

    def told(summaries: Sequence[Summary]) -> _F:
        mean = publish(_fitted(sampler, summaries)).mean
        return np.concatenate([mean[:_P], mean[-_P:]])  # centres and spreads; all engines are of one kind

    before = told(first)
    change = np.stack([told([*first, *batch]) - before for batch in batches])
    shifts = np.array([[each.components[0].shift for each in batch] for batch in batches])
    return change, shifts @ np.linalg.inv(_PRECISION + np.eye(_P))


def _membership(change: _F, engines: _F) -> tuple[float, float]:
    """Advantage of the likelihood ratio in telling a batch's own engines from those of another, and its standard error.

    The reader knows how versions answer to engines and how engines vary; the rest of a batch is noise to them, taken
    for normal. Engines of one batch share its version, so the error counts batches.

    Parameters
    ----------
    change : array, (batches, m)
    engines : array, (batches, n, q)
        What of an engine moves it.
    """
    (batches, n, q), m = engines.shape, change.shape[1]
    away = engines - engines.reshape(-1, q).mean(axis=0)
    design = np.c_[np.ones(batches), away.sum(axis=1)]
    answer = np.linalg.lstsq(design, change, rcond=None)[0]
    left = np.cov((change - design @ answer).T) + 1e-6 * np.eye(m)  # a spread that never moves would leave nothing
    of_one = answer[1:].T @ np.cov(away.reshape(-1, q).T) @ answer[1:]
    moved = change - answer[0]
    without = stats.multivariate_normal(cov=n * of_one + left).logpdf(moved)
    rest = stats.multivariate_normal(cov=(n - 1) * of_one + left)
    own = away @ answer[1:]
    told = [rest.logpdf(moved[:, None] - shift) > without[:, None] for shift in (own, np.roll(own, 1, axis=0))]
    of_batches = told[0].mean(axis=1) - told[1].mean(axis=1)
    return float(of_batches.mean()), float(of_batches.std() / math.sqrt(batches))


def _best_advantage(batch: int, unknowns: int) -> float:
    """Of one to whom the exact sum of a batch is shown: between N(t, (n − 1) I) and N(0, n I), averaged over engines t.

    The likelihood ratio is the best there is (Neyman and Pearson); 100,000 draws, to a standard error of 0.002.
    """
    rng = np.random.default_rng(1)
    own, other, rest = rng.standard_normal((3, 100_000, unknowns))
    rest *= math.sqrt(batch - 1)

    def told(total: _F) -> float:
        apart = np.sum(total**2, axis=1) / batch - np.sum((total - own) ** 2, axis=1) / (batch - 1)
        return float(np.mean(apart > -unknowns * math.log(batch / (batch - 1))))

    return told(own + rest) - told(other + rest)
