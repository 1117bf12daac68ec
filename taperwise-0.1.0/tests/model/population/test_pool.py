"""From a fit to a summary, from summaries to the prior of a new engine."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.design.starting_point import prior_draws, start_of
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.engine_prior import EXPERT, POOLED, EnginePrior, pooled_of, prior_from
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import LONG
from taperwise.model.physics.priors import PRIORS
from taperwise.model.population.covariates import COVARIATES, columns, kind_of
from taperwise.model.population.fitting import Population
from taperwise.model.population.predictive_prior import EXPERT_SERVED, ODD_SHARE, predictive_prior
from taperwise.model.population.summary import Summary, summarise, summary_of_draws
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import Cooling, Engine, Entry, Installation, TurnScrew
from taperwise.shared.runs import Air

_P = len(POOLED)


def _rebuilt(summary: Summary) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of the summary under N(0, 1) of every pooled unknown, by brute force over its components."""
    means, covariances, weights = [], [], []
    for c in summary.components:
        covariance = np.linalg.inv(c.precision + np.eye(_P))
        means.append(covariance @ c.shift)
        covariances.append(covariance)
        weights.append(c.ln_weight + 0.5 * c.shift @ covariance @ c.shift + 0.5 * np.linalg.slogdet(covariance)[1])
    w = np.exp(np.array(weights) - max(weights))
    w /= w.sum()
    mean = w @ np.array(means)
    spread = sum(w[i] * (covariances[i] + np.outer(means[i] - mean, means[i] - mean)) for i in range(len(w)))
    return mean, np.asarray(spread)


def _tuned(installation: Installation, seed: int, air: Air) -> tuple[VirtualEngine, list[Entry]]:
    engine, log = VirtualEngine.draw(installation, seed), []
    entries: list[Entry] = log
    for turns in (0.0, 0.25, 0.25, -0.125, -0.125, 0.25):
        if turns:
            engine.adjust(TurnScrew(turns))
            entries.append(TurnScrew(turns))
        entries.append(engine.run(air))
    return engine, entries


def test_a_summary_times_the_prior_is_the_posterior(
    recommender: Recommender, installation: Installation, air: Air
) -> None:
    """Put together again, summary and expert prior give the fit's mean and spread in every pooled unknown, whichever
    draws the fit came out with: within a tenth over several of them.
    """
    _, log = _tuned(installation, 4, air)
    off, wider = [], []
    for seed in range(4):
        posterior = recommender.sampler.fit(gather(installation, log), seed)
        theta = pooled_of(posterior.unknowns, posterior.evidence.pivot, posterior.evidence.throttle)
        mean, covariance = _rebuilt(summarise(posterior))
        off.append(mean - theta.mean(0))
        wider.append(np.log(np.sqrt(np.diag(covariance)) / theta.std(0)))
        assert theta.std(0)[POOLED.index("gain_full")] < 0.4
    assert np.allclose(np.mean(off, axis=0), 0.0, atol=0.1)
    assert np.allclose(np.mean(wider, axis=0), 0.0, atol=0.1)


@pytest.mark.slow
def test_whatever_prior_a_fit_was_made_with_is_divided_out(
    recommender: Recommender, installation: Installation, air: Air
) -> None:
    """A fit under a narrow, shifted prior leaves the same summary as one under the expert's; both as long as those that
    are summed up.
    """
    _, log = _tuned(installation, 3, air)
    narrow = prior_from(np.full(_P, 0.3), 0.5 * np.eye(_P) + 0.1)
    fits = [
        recommender.sampler.fit_once(gather(installation, log, p), recommender.seed, LONG) for p in (EXPERT, narrow)
    ]
    found = [summarise(fit).components[0] for fit in fits]
    _, vectors = np.linalg.eigh(found[0].precision)
    strongest = vectors[:, -1]
    learned = [strongest @ c.precision @ strongest for c in found]
    assert learned[1] == pytest.approx(learned[0], rel=0.2)
    places = [strongest @ c.shift / (strongest @ c.precision @ strongest) for c in found]
    assert places[1] == pytest.approx(places[0], abs=0.05)


def test_nothing_learned_is_nothing_said(rng: np.random.Generator) -> None:
    """Draws from the prior itself make a summary without any precision, however the draws scatter."""
    root = np.linalg.cholesky(0.4 * np.eye(_P) + 0.2)
    theta = np.full(_P, 0.5) + rng.standard_normal((2000, _P)) @ root.T
    summary = summary_of_draws(theta, np.full(_P, 0.5), root, 2000.0, 1)
    (only,) = summary.components
    assert np.max(np.abs(only.precision)) < 1e-9
    assert np.max(np.abs(only.shift)) < 1e-9


def test_where_one_normal_does_not_do_there_is_a_mixture(rng: np.random.Generator) -> None:
    """Two clearly separate heaps keep their places and weights; one heap stays one."""
    theta = 0.3 * rng.standard_normal((4000, _P))
    assert len(summary_of_draws(theta, np.zeros(_P), np.eye(_P), 4000.0, 1).components) == 1
    theta[:1200, 0] += 2.0
    theta = rng.permutation(theta)
    summary = summary_of_draws(theta, np.zeros(_P), np.eye(_P), 4000.0, 1)
    assert len(summary.components) >= 2
    mean, covariance = _rebuilt(summary)
    assert mean[0] == pytest.approx(0.6, abs=0.08)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(np.sqrt(0.3**2 + 0.21 * 4.0), rel=0.08)


def test_a_summary_sees_the_reference_setting(installation: Installation) -> None:
    """Draws at another pivot, with another needle fitted, describe the same gains as at the reference setting."""
    other = replace(installation, fitted_needle="taper 31.2")
    for where in (installation, other):
        u = draw_unknowns(where, np.random.default_rng(5), draws=50)
        evidence = gather(where, ())
        theta = pooled_of(u, evidence.pivot, evidence.throttle)
        assert np.allclose(theta[:, 0], u.offset[:, 0] / PRIORS["offset"].spread)
        if where is installation:
            first = theta
    assert np.allclose(first, theta)


def _normal(prior: EnginePrior) -> np.ndarray:
    return replace(prior, odd=0.0).covariance()


def _population(centre: float, tau: float, spread: float, rng: np.random.Generator) -> Population:
    beta = np.zeros((4000, len(COVARIATES), _P))
    beta[:, 0] = centre + spread * rng.standard_normal((4000, _P))
    # of liquid cooling nothing is known: all in all a variance of 0.05² + 0.95² + 0.3² = 0.995
    beta[:, 3] = 0.95 * rng.standard_normal((4000, _P))
    return Population(beta, np.full((4000, _P), tau), 30, "nuts", 1.0, 4000.0)


def test_the_served_prior_is_the_pools_where_it_knows_and_the_experts_where_not(
    installation: Installation, rng: np.random.Generator
) -> None:
    """A known kind gets a moved, narrower prior; an unknown one fades to the expert's; none is wider than that."""
    known = predictive_prior(_population(0.8, 0.3, 0.05, rng), kind_of(installation))
    assert np.allclose(known.prior.centre, 0.8, atol=0.02)
    assert known.prior.odd == 0.05
    assert np.allclose(np.sqrt(np.diag(_normal(known.prior))), np.sqrt(0.05**2 + 0.3**2), rtol=0.03)
    assert known.rests.engines == 30
    assert known.rests.similar == pytest.approx(30.0)
    # of a mixture: the mean of the variances and the variance of the means
    mixed = 0.95 * (0.05**2 + 0.3**2) + 0.05 * 1.0 + 0.95 * 0.05 * 0.8**2
    assert known.rests.narrower_full == pytest.approx(np.sqrt(mixed), abs=0.02)
    liquid = replace(installation, engine=Engine(cooling=Cooling.LIQUID))
    unknown = predictive_prior(_population(0.8, 0.3, 0.05, rng), kind_of(liquid))
    assert np.all(np.diag(_normal(unknown.prior)) <= 1.0 + 1e-9)
    assert np.all(np.abs(unknown.prior.centre) < 0.4)
    assert unknown.rests.similar < 1.0
    nothing = predictive_prior(_population(0.8, 1.5, 0.5, rng), kind_of(installation))
    assert nothing.prior.covariance() == pytest.approx(EXPERT_SERVED.prior.covariance())
    assert np.allclose(nothing.prior.centre, 0.0)


@pytest.mark.parametrize("odd", [0.0, 0.1, 0.4])
def test_a_prior_moves_the_same_in_sampler_and_virtual_engine(
    recommender: Recommender, installation: Installation, odd: float
) -> None:
    """An empty log fitted under a moved, correlated prior, odd engines among them, gives its centre and covariance
    back; so do drawn engines.
    """
    covariance = 0.3 * np.eye(_P) + 0.1
    covariance[-1, -2] = covariance[-2, -1] = -0.2
    centre = np.linspace(-0.6, 0.6, _P)
    prior = prior_from(centre, covariance, odd)
    for posterior in (recommender.learn(installation, [], prior).posterior, prior_draws(installation, prior, 3)):
        theta = pooled_of(posterior.unknowns, posterior.evidence.pivot, posterior.evidence.throttle)
        assert np.allclose(theta.mean(0), (1.0 - odd) * centre, atol=0.09)
        assert np.allclose(np.cov(theta.T), prior.covariance(), atol=0.08)


@pytest.mark.slow
def test_an_odd_engine_is_let_go(recommender: Recommender, installation: Installation, air: Air) -> None:
    """An engine five spreads off the pool's is found near where the expert's prior finds it, if odd ones are counted
    with; if not, the pool's word holds it back.
    """
    pool = prior_from(np.full(_P, 0.8), 0.09 * np.eye(_P))
    u = draw_unknowns(installation, np.random.default_rng(8), prior_from(np.full(_P, -0.7), 0.01 * np.eye(_P)))
    engine, log = VirtualEngine(installation, u, np.random.default_rng(9)), []
    for turns in (0.0, 0.25, 0.25, -0.125, -0.125, 0.25):
        if turns:
            engine.adjust(TurnScrew(turns))
            log.append(TurnScrew(turns))
        log.append(engine.run(air))
    found = {}
    for name, prior in (("expert", EXPERT), ("held", pool), ("let go", replace(pool, odd=ODD_SHARE))):
        posterior = recommender.learn(installation, log, prior).posterior
        assert posterior.diagnostics.converged
        theta = pooled_of(posterior.unknowns, posterior.evidence.pivot, posterior.evidence.throttle)
        found[name] = theta[:, POOLED.index("gain_idle")]
    middle = {name: float(np.median(x)) for name, x in found.items()}
    spread = {name: float(np.std(x)) for name, x in found.items()}
    assert abs(middle["let go"] - middle["expert"]) < 0.2 * spread["expert"]
    assert spread["let go"] == pytest.approx(spread["expert"], rel=0.15)
    assert abs(middle["held"] - middle["expert"]) > 0.5 * spread["expert"]
    assert spread["held"] < 0.5 * spread["expert"]


def test_a_kind_is_coarse(installation: Installation) -> None:
    """Engines a little apart are of one kind; its row of the regression has noughts for an ordinary one."""
    near = replace(installation, engine=Engine(displacement_m3=0.00225, rated_rpm=3280.0))
    assert kind_of(near) == kind_of(installation)
    assert columns(kind_of(installation)) == pytest.approx([1, 0, 0, 0, 0, 0, 0])
    assert len(columns(kind_of(installation))) == len(COVARIATES)


def test_the_start_follows_the_prior(installation: Installation) -> None:
    """A population that is richer starts further in; one that is known well has a chance worth stating."""
    tight = 0.01 * np.eye(_P)
    starts = {}
    for name, gain in (("rich", 1.0), ("lean", -1.0)):
        centre = np.zeros(_P)
        centre[-2:] = gain
        starts[name] = start_of(installation, prior_from(centre, tight))
    needles = [{r.needle: r.turns for r in starts[name]} for name in ("rich", "lean")]
    assert all(needles[0][n] < needles[1][n] for n in needles[0])
    assert starts["lean"][0].chance_both > 0.2
    assert starts["lean"][0].chance_both == max(r.chance_both for r in starts["lean"])
