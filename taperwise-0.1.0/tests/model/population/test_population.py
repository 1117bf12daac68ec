"""The hierarchical model against published and exact values, and the recovery of what a population was drawn from."""

from dataclasses import replace
from typing import Any

import numpy as np
import nutpie
import pytensor
import pytensor.tensor as pt
import pytest
from pytensor.gradient import DisconnectedInputError
from scipy import integrate, optimize, stats

from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population import fitting
from taperwise.model.population.covariates import COVARIATES
from taperwise.model.population.engine_summaries import NORMAL, TAILS, EngineSummaries, Priors, population_data
from taperwise.model.population.fitting import CROSSOVER, Population, PopulationSampler, why_not_trusted
from taperwise.model.population.hierarchical import build_population
from taperwise.model.population.marginal_likelihood import averaged, ln_evidence
from taperwise.model.population.predictive_prior import POPULATION_PRIORS, predictive_prior
from taperwise.shared.errors import NotConvergedError
from tests.benchmarks.engines.virtual_population import draw_fleet, draw_kinds, ordinary_population

# Rubin (1981), doi:10.3102/10769986006004377, as in posteriordb's data set eight_schools
_EFFECT = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
_ERROR = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
_SCHOOLS = EngineSummaries.of_points(_EFFECT, _ERROR)
_WIDE = Priors(np.array([[5.0]]), np.array([5.0]))


_FEW = {"draws": 20, "tune": 20, "chains": 4, "target_accept": 0.9}


@pytest.fixture(scope="module")
def of_one() -> PopulationSampler:
    """On the path that fits engines, but of one pooled unknown, no covariates, no odd ones."""
    return PopulationSampler(1, 1, NORMAL)


@pytest.fixture(scope="module")
def schools(of_one: PopulationSampler) -> Population:
    """Eight schools by NUTS."""
    return of_one.fit(_SCHOOLS, _WIDE, 1, "nuts")


@pytest.fixture(scope="module")
def sampler() -> PopulationSampler:
    """The sampler that engines are fitted with."""
    return PopulationSampler(len(POOLED), len(COVARIATES))


def _exact() -> dict[str, tuple[float, float]]:
    """Mean and sd of mu and tau by quadrature over both, densities from scipy."""
    mu, tau = np.linspace(-25, 35, 1201), np.r_[np.linspace(1e-6, 60, 3001), np.linspace(60.1, 600, 1500)]
    spread = np.sqrt(_ERROR**2 + tau[:, None] ** 2)
    ln = stats.norm.logpdf(mu, 0, 5)[None, :] + stats.halfcauchy.logpdf(tau, scale=5)[:, None]
    ln = ln + sum(stats.norm.logpdf(_EFFECT[j], mu[None, :], spread[:, [j]]) for j in range(8))
    density = np.exp(ln - ln.max())
    along_tau, along_mu = integrate.simpson(density, mu, axis=1), integrate.simpson(density, tau, axis=0)
    found = {}
    for name, x, d in (("mu", mu, along_mu), ("tau", tau, along_tau)):
        whole = integrate.simpson(d, x)
        mean = integrate.simpson(x * d, x) / whole
        found[name] = (mean, float(np.sqrt(integrate.simpson((x - mean) ** 2 * d, x) / whole)))
    return found


@pytest.mark.slow
def test_eight_schools(schools: Population) -> None:
    """Posterior means are those published, and exact ones, within four Monte Carlo standard errors.

    posteriordb, eight_schools-eight_schools_noncentered: mu 4.41052 ± 0.0330, tau 3.60206 ± 0.0319 (read).
    """
    exact = _exact()
    assert exact["mu"] == pytest.approx((4.39682, 3.31770), abs=2e-3)  # calculated once by other quadrature
    assert exact["tau"] == pytest.approx((3.59771, 3.21996), abs=2e-3)
    published = {"mu": (4.41052, 0.0330), "tau": (3.60206, 0.0319)}
    for name, draws in (("mu", schools.beta[:, 0, 0]), ("tau", schools.tau[:, 0])):
        error = exact[name][1] / np.sqrt(schools.ess_min)
        assert error < 0.12
        assert abs(draws.mean() - exact[name][0]) < 4 * error
        assert abs(draws.mean() - published[name][0]) < 4 * np.hypot(error, published[name][1])
        assert draws.std() == pytest.approx(exact[name][1], rel=0.12)


def test_a_fit_that_is_not_to_be_believed_is_drawn_again_with_care_and_else_refused(
    of_one: PopulationSampler, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty draws a chain do not do: the second try, as the single engine's last, does; without it there is none."""
    monkeypatch.setattr(fitting, "_OPTIONS", _FEW)
    assert "effective size" in why_not_trusted(of_one.fit(_SCHOOLS, _WIDE, 1))
    again = of_one.trusted(_SCHOOLS, _WIDE, 1)
    assert len(again.tau) == 4 * 2000
    assert why_not_trusted(again) == ""
    monkeypatch.setattr(fitting, "_WITH_CARE", _FEW)
    with pytest.raises(NotConvergedError, match="no reliable result") as refused:
        of_one.trusted(_SCHOOLS, _WIDE, 1)
    assert refused.value.field == "pool"
    assert "effective size" in str(refused.value.value)


def test_draws_that_diverged_are_counted(
    of_one: PopulationSampler, schools: Population, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of them in either try, and the fit is refused, whatever else it looks like."""
    assert schools.divergences == 0
    sample = nutpie.sample

    def once_diverging(*given: Any, **options: Any) -> Any:
        tree = sample(*given, **options)
        tree.sample_stats["diverging"][0, 3] = True
        return tree

    monkeypatch.setattr(nutpie, "sample", once_diverging)
    assert of_one.fit(_SCHOOLS, _WIDE, 1).divergences == 1
    with pytest.raises(NotConvergedError) as refused:
        of_one.trusted(_SCHOOLS, _WIDE, 1)
    assert refused.value.value == "1 divergences"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"rhat_max": 1.02}, "R-hat 1.020, at most 1.01"),
        ({"rhat_max": np.nan}, "R-hat nan, at most 1.01"),
        ({"ess_min": 399.0}, "effective size 399, at least 400"),
        ({"ess_tail_min": 399.0}, "effective size 399, at least 400"),
        ({"divergences": 2}, "2 divergences"),
        ({"away": 0.2}, "mode 0.2 sd away, at most 0.05"),
        ({"beta": np.array([[[1.0]], [[np.inf]], [[1.0]]])}, "1 draws not finite"),
        ({"tau": np.array([[1.0], [np.nan], [0.0]])}, "2 draws not finite"),
    ],
)
def test_what_makes_a_fit_one_not_to_be_believed(change: dict[str, Any], told: str) -> None:
    """The bounds of an engine's own posterior, each by itself; a spread of nought has no logarithm to publish."""
    good = Population(np.ones((3, 1, 1)), np.ones((3, 1)), 8, "nuts", 1.01, 400.0, 400.0)
    assert why_not_trusted(good) == ""
    assert why_not_trusted(replace(good, **change)) == told


def test_what_breaks_the_sampler_down_is_refused(of_one: PopulationSampler) -> None:
    """An engine of which something infinite was measured: neither method makes anything of it."""
    measured = EngineSummaries.of_points(np.r_[_EFFECT[:7], np.inf], _ERROR)
    for method, told in (("nuts", "a sampler that broke down"), ("approximation", "not finite")):
        with pytest.raises(NotConvergedError) as refused:
            of_one.trusted(measured, _WIDE, 1, method)
        assert told in str(refused.value.value)


def test_the_approximation_goes_on_to_the_mode_of_all(
    of_one: PopulationSampler, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Begun on four schools of the eight it ends where it does begun on all; where it may not go on, it is refused."""
    at_once = of_one.trusted(_SCHOOLS, _WIDE, 1, "approximation")
    assert at_once.away < 1e-4
    monkeypatch.setattr(fitting, "_PART", 4)
    in_steps = of_one.trusted(_SCHOOLS, _WIDE, 1, "approximation")
    spread = at_once.beta.std()
    for one, other in ((in_steps.beta, at_once.beta), (in_steps.tau, at_once.tau)):
        assert np.median(one) == pytest.approx(np.median(other), abs=0.1 * spread)
    monkeypatch.setattr(fitting, "_STEPS", 0)
    with pytest.raises(NotConvergedError) as refused:
        of_one.trusted(_SCHOOLS, _WIDE, 1, "approximation")
    assert "sd away" in str(refused.value.value)


def test_the_evidence_of_an_engine_is_an_integral(rng: np.random.Generator) -> None:
    """An engine's likelihood averaged over its kind agrees with brute-force draws, mixture and odd ones included.

    The other calculation draws θ from the two-part population and averages the likelihood, written anew.
    """
    p = 2
    roots = rng.normal(size=(2, p, p))
    precision = 0.3 * roots @ np.swapaxes(roots, 1, 2)
    shift, ln_weight = rng.normal(size=(2, p)), np.log([0.7, 0.3])
    measured = EngineSummaries(precision[None], shift[None], ln_weight[None], np.ones((1, 1)))
    model = build_population(p, 1)
    with model:
        import pymc as pm

        pm.set_data(population_data(measured, Priors(np.ones((1, p)), np.ones(p))))
    beta, tau = np.array([[0.4, -0.2]]), np.array([0.6, 1.1])
    point = {"z_beta": beta, "z_tau_log__": np.log(tau)}
    prior = stats.norm.logpdf(beta).sum() + np.sum(stats.halfcauchy.logpdf(tau) + np.log(tau))
    found = float(model.compile_logp()(point)) - prior
    n = 400_000
    wider = np.where(rng.random((n, 1)) < TAILS[1][0], np.sqrt(TAILS[1][1]), 1.0)
    theta = beta[0] + wider * tau * rng.normal(size=(n, p))
    likelihood = sum(
        np.exp(ln_weight[c] + theta @ shift[c] - 0.5 * np.einsum("ni,ij,nj->n", theta, precision[c], theta))
        for c in range(2)
    )
    error = likelihood.std() / likelihood.mean() / np.sqrt(n)
    assert found == pytest.approx(np.log(likelihood.mean()), abs=5 * error)
    assert error < 0.01


def test_the_slopes_of_the_evidence_are_its_differences(rng: np.random.Generator) -> None:
    """Slopes in every engine's mean and in every spread agree with scipy's finite differences; one pass gives all."""
    n, m, p = 4, 2, 3
    roots, tails = rng.normal(size=(n, m, p, p)), np.array(TAILS)
    given = (roots @ np.swapaxes(roots, 2, 3), rng.normal(size=(n, m, p)), rng.normal(size=(n, m)))
    mean, tau = rng.normal(size=(n, p)), rng.uniform(0.3, 1.5, p)
    total, by_mean, by_tau = averaged(*given, mean, tau, tails)
    apart = sum(averaged(*(x[[i]] for x in given), mean[[i]], tau, tails)[0] for i in range(n))
    assert total == pytest.approx(apart, rel=1e-12)
    by_steps = optimize.approx_fprime(mean.ravel(), lambda x: averaged(*given, x.reshape(n, p), tau, tails)[0], 1e-6)
    assert by_mean.ravel() == pytest.approx(by_steps, abs=1e-5)
    by_steps = optimize.approx_fprime(tau, lambda x: averaged(*given, mean, x, tails)[0], 1e-6)
    assert by_tau == pytest.approx(by_steps, abs=2e-5)


def test_the_graph_is_what_the_loops_say(rng: np.random.Generator) -> None:
    """Compiled or not, in value and slopes; a slope in what was measured is not to be had."""
    n, m, p = 3, 2, 2
    roots, tails = rng.normal(size=(n, m, p, p)), np.array(TAILS)
    given = (roots @ np.swapaxes(roots, 2, 3), rng.normal(size=(n, m, p)), rng.normal(size=(n, m)))
    mean, tau = rng.normal(size=(n, p)), rng.uniform(0.3, 1.5, p)
    free = pt.dmatrix(), pt.dvector()
    total = ln_evidence(*(pt.as_tensor_variable(x) for x in given), *free, tails)
    wanted = averaged(*given, mean, tau, tails)
    for mode in ("NUMBA", "FAST_COMPILE"):
        found = pytensor.function([*free], [3.0 * total, *pytensor.grad(3.0 * total, [*free])], mode=mode)(mean, tau)
        for one, other in zip(found, wanted, strict=True):
            np.testing.assert_allclose(one, 3.0 * np.asarray(other), rtol=1e-12)
    with pytest.raises(DisconnectedInputError):
        pytensor.grad(ln_evidence(*(x := [pt.as_tensor_variable(x) for x in given]), *free, tails), x[1])


def _hold_the_truth(sampler: PopulationSampler, seeds: range) -> None:
    """Over repeated pools of 60 engines, 90 % intervals of regression and spreads hold the truth as often as they say.

    Each pool has 56 quantities that are correlated within it, so the share is held to three standard deviations of a
    quarter as many independent ones.
    """
    inside = []
    for seed in seeds:
        rng = np.random.default_rng([7, seed])
        generating = ordinary_population(rng)
        found = sampler.fit(draw_fleet(60, generating, rng), POPULATION_PRIORS, seed, "nuts")
        assert found.ess_min > 200
        for draws, truth in ((found.beta, generating.beta), (found.tau, generating.tau)):
            low, high = np.quantile(draws, (0.05, 0.95), axis=0)
            inside.append(np.reshape((low <= truth) & (truth <= high), -1))
    share = float(np.mean(np.concatenate(inside)))
    assert abs(share - 0.9) < 3 * np.sqrt(0.09 / (len(seeds) * 56 / 4)), share


@pytest.mark.slow
@pytest.mark.thorough(one_of="hierarchies")
@pytest.mark.parametrize("first", range(0, 12, 2))
def test_what_two_populations_were_drawn_from_is_recovered(
    sampler: PopulationSampler, monkeypatch: pytest.MonkeyPatch, first: int
) -> None:
    """Two pools; half as many draws as a release takes, and how many are effective is held, too."""
    _draw_half_as_many(monkeypatch)
    _hold_the_truth(sampler, range(first, first + 2))


@pytest.mark.slow
@pytest.mark.thorough
def test_what_populations_were_drawn_from_is_recovered(
    sampler: PopulationSampler, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve pools at once, as sharp a check as they allow."""
    _draw_half_as_many(monkeypatch)
    _hold_the_truth(sampler, range(12))


@pytest.mark.slow
def test_an_odd_engine_does_not_drag_the_rest(sampler: PopulationSampler, rng: np.random.Generator) -> None:
    """One engine far off among thirty moves the common centre by far less than its share under a normal."""
    generating = ordinary_population(rng)
    fleet = draw_fleet(30, generating, rng)
    at = POOLED.index("gain_full")
    fleet.precision[:, 0] = np.eye(len(POOLED)) * 25.0
    theta = fleet.covariates @ generating.beta + generating.tau * rng.standard_normal((30, len(POOLED)))
    fleet.shift[:, 0] = 25.0 * theta
    before = sampler.fit(fleet, POPULATION_PRIORS, 1, "nuts").beta[:, 0, at].mean()
    fleet.shift[0, 0, at] += 25.0 * 6.0
    with_odd = sampler.fit(fleet, POPULATION_PRIORS, 1, "nuts")
    assert abs(with_odd.beta[:, 0, at].mean() - before) < 0.5 * 6.0 / 30
    assert np.median(with_odd.tau[:, at]) < 0.6  # a normal would need √(6²/30) ≈ 1.1


@pytest.mark.slow
@pytest.mark.thorough(one_of="hierarchies")
@pytest.mark.parametrize("seed", [4, 5, 6])
def test_the_approximation_is_as_good_at_the_crossover(
    sampler: PopulationSampler, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Just past where NUTS is left, the regression differs from NUTS by less than a third of its standard deviation,
    a spread by less than three quarters (its posterior is skewed), the served prior by less than a tenth. Half as many
    draws as a release takes; so many are effective that their own error stays below a fifteenth of a deviation.
    """
    _draw_half_as_many(monkeypatch)
    rng = np.random.default_rng(seed)
    fleet = draw_fleet(CROSSOVER + 1, ordinary_population(rng), rng)
    nuts, fast = (sampler.fit(fleet, POPULATION_PRIORS, 1, m) for m in ("nuts", ""))
    assert (nuts.method, fast.method) == ("nuts", "approximation")
    assert nuts.rhat_max < 1.02
    assert nuts.ess_min > 225
    away = {n: np.max(np.abs(_mean(fast, n) - _mean(nuts, n)) / getattr(nuts, n).std(0)) for n in ("beta", "tau")}
    assert away["beta"] < 1 / 3
    assert away["tau"] < 0.75
    for kind in draw_kinds(20, rng):
        exact, near = predictive_prior(nuts, kind).prior, predictive_prior(fast, kind).prior
        spread = np.sqrt(np.diag(exact.covariance()))
        assert np.all(np.abs(np.array(near.centre) - exact.centre) < 0.1 * spread)
        assert np.allclose(np.sqrt(np.diag(near.covariance())), spread, rtol=0.1)


def _draw_half_as_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fitting, "_OPTIONS", {**fitting._OPTIONS, "draws": 500, "tune": 400})


def _mean(population: Population, name: str) -> np.ndarray:
    return np.asarray(getattr(population, name).mean(0))
