"""Summaries pooled against one joint fit of all raw runs."""

from dataclasses import replace
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt
import pytest
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.inference.likelihood import log_likelihoods
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.pymc_model import TENSOR
from taperwise.model.inference.readings import Readings
from taperwise.model.inference.reparameterization import FULL, IDLE, RoundedTent, from_coordinate
from taperwise.model.inference.sampler import LONG, Posterior
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.exhaust import ln_mixture_at, ln_mixture_slope
from taperwise.model.physics.idle import BEST_WIDTH
from taperwise.model.physics.mixture import Unknowns, gain_prior, idle_cutpoints, mixtures
from taperwise.model.physics.priors import CHANGES, PRIORS, from_standard
from taperwise.model.population.covariates import kind_of
from taperwise.model.population.engine_summaries import NORMAL, EngineSummaries, Priors
from taperwise.model.population.fitting import Population, PopulationSampler
from taperwise.model.population.summary import stack_summaries, summarise
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import Entry, Installation, TurnScrew
from taperwise.shared.runs import Air
from tests.benchmarks.engines.virtual_population import Generating


def _held(mask: Any) -> Any:
    there = mask.eval()
    return lambda x: pt.broadcast_to(x, there.shape)[there.nonzero()]


_MATRICES = replace(
    TENSOR,
    stack=lambda parts: pt.stack(pt.broadcast_arrays(*(pt.as_tensor_variable(x) for x in parts)), axis=-1),
    may_hold=NUMPY.may_hold,  # the masks are known here
    held=_held,
)
"""The formulas on matrices, a row an engine; the sampler's own graph knows rows alone."""

_ESS = 300  # from fewer the error itself could not be told
_P = len(POOLED)
_FULL, _IDLE, _CUT = (POOLED.index(name) for name in ("gain_full", "gain_idle", "idle_first_cut"))
_PRIORS = Priors(np.full((1, _P), 0.7), np.full(_P, 0.5))


def _log(installation: Installation, generating: Generating, seed: int, air: Air) -> list[Entry]:
    rng = np.random.default_rng([21, seed])
    engine = VirtualEngine(
        installation, draw_unknowns(installation, rng, generating.engine(kind_of(installation))), rng
    )
    log: list[Entry] = []
    for turns in (0.0, 0.25, 0.25, 0.25):
        if turns:
            engine.adjust(TurnScrew(turns))
            log.append(TurnScrew(turns))
        log.append(engine.run(air))
    return log


def _joint(all_evidence: list[Evidence]) -> pm.Model:
    """All engines' raw runs in one graph: their own unknowns, and what they have in common.

    Runs pin what gauges would show at the pivot far more sharply than what lies behind. So that is walked in, as where
    a single engine is sampled: at full throttle in place of the gain, at idle in place of the difference of gain and
    first cut, given which a standard normal tells the two apart. So no neck is long where one of the spreads is small.
    """
    first = all_evidence[0]  # the same settings and scales for all of them
    n = len(all_evidence)
    rows = zip(*(e.readings.rows() for e in all_evidence), strict=True)
    readings = Readings.of_rows([np.stack(each) for each in rows])
    with pm.Model() as model:
        mu = pm.Deterministic("mu", 0.7 * pm.Normal("z_mu", shape=_P))
        tau = pm.Deterministic("tau", 0.5 * pm.HalfCauchy("z_tau", 1.0, shape=_P))
        known: dict[str, Any] = {}
        for name in Unknowns.names():
            if name in ("first", "second"):
                known[name] = pm.Normal(name, shape=(n, CHANGES))
            elif name not in ("ln_full", "ln_idle", "idle_first_cut"):
                z = pm.Normal(f"z_{name}", shape=(n, 1))
                i = POOLED.index(name) if name in POOLED else None
                known[name] = from_standard(name, z if i is None else mu[i] + tau[i] * z, _MATRICES)
        bare = Unknowns(ln_full=0.0, ln_idle=0.0, idle_first_cut=0.0, **known)
        full, idle = gain_prior(bare, first.pivot, first.throttle, _MATRICES)

        x, ln_slope = from_coordinate(
            _flat("v_full", n), FULL, RoundedTent(bare.exhaust_scale, bare.exhaust_width), _MATRICES
        )
        known["ln_full"] = ln_mixture_at(x, _MATRICES)
        spread = PRIORS["gain_full"].spread
        expected = pm.Normal.dist(full + spread * mu[_FULL], spread * tau[_FULL])
        pm.Potential(
            "full",
            pt.sum(pm.logp(expected, known["ln_full"]) + ln_slope + ln_mixture_slope(known["ln_full"], _MATRICES)),
        )

        x, ln_slope = from_coordinate(_flat("v_idle", n), IDLE, RoundedTent(bare.idle_gain, BEST_WIDTH), _MATRICES)
        gain, cut = (PRIORS["gain_idle"].spread, _IDLE), (PRIORS["idle_first_cut"].spread, _CUT)
        of_gain, of_cut = ((spread * tau[i]) ** 2 for spread, i in (gain, cut))
        both = of_gain + of_cut
        rich_of_cut = idle - PRIORS["idle_first_cut"].centre - idle_cutpoints(bare).best
        centre = rich_of_cut + gain[0] * mu[_IDLE] - cut[0] * mu[_CUT]
        pm.Potential("idle", pt.sum(pm.logp(pm.Normal.dist(centre, pt.sqrt(both)), x) + ln_slope))
        apart = pt.sqrt(of_gain * of_cut / both) * pm.Normal("z_idle", shape=(n, 1))
        known["ln_idle"] = idle + gain[0] * mu[_IDLE] + of_gain / both * (x - centre) + apart
        known["idle_first_cut"] = known["ln_idle"] - x - idle_cutpoints(bare).best

        u = Unknowns(**known)
        ends = mixtures(u, first.settings, first.pivot, first.throttle, _MATRICES)
        terms = log_likelihoods(readings, u, ends, first.settings, first.scales, _MATRICES)
        pm.Potential("runs", sum(pt.sum(term) for term in terms))
    return model


def _flat(name: str, n: int) -> Any:
    return pm.Flat(name, shape=(n, 1), initval=np.full((n, 1), 0.1))


def _ess(chains: NDArray[np.float64]) -> float:
    from arviz_stats.base import array_stats

    return float(array_stats.ess(chains[None], chain_axis=1, draw_axis=2)[0])


def _drawn(model: pm.Model) -> dict[str, NDArray[np.float64]]:
    """Centre and spread, (chains, draws, unknowns): until their error can be told, thrice at most.

    Many short chains: the sharp end of a hierarchy may hold one of them for long, and it must not be a quarter of all.
    """
    import nutpie
    import pytensor

    with pytensor.config.change_flags(numba__fastmath=False):  # the same in every process
        compiled = nutpie.compile_pymc_model(model)
    found: dict[str, NDArray[np.float64]] = {}
    for seed in range(1, 4):
        tree = nutpie.sample(
            compiled, draws=900, tune=700, chains=6, cores=2, seed=seed, progress_bar=False, target_accept=0.9
        )
        for name in ("mu", "tau"):
            more = np.asarray(tree.posterior[name].values)[..., -2:]
            found[name] = more if seed == 1 else np.concatenate([found[name], more])
        if min(_ess(x[..., i]) for x in found.values() for i in range(2)) > _ESS:
            break
    return found


def _one_chain(fit: Posterior, chain: int) -> Posterior:
    """What a chain of its own would have told, were the same directions learned by it."""
    at = slice(chain * fit.diagnostics.draws, (chain + 1) * fit.diagnostics.draws)
    alone = Unknowns(*(getattr(fit.unknowns, name)[at] for name in Unknowns.names()))
    return replace(fit, unknowns=alone)


@pytest.mark.slow
@pytest.mark.thorough
def test_two_stages_come_to_what_one_joint_fit_does(
    recommender: Recommender, installation: Installation, air: Air
) -> None:
    """Of twelve engines."""
    _agree(recommender, installation, air, range(12))


@pytest.mark.slow
@pytest.mark.thorough(one_of="hierarchies")
@pytest.mark.parametrize("first", [12, 16, 20])
def test_two_stages_of_four_engines(recommender: Recommender, installation: Installation, air: Air, first: int) -> None:
    """Of four other engines."""
    _agree(recommender, installation, air, range(first, first + 4))


def _agree(recommender: Recommender, installation: Installation, air: Air, engines: range) -> None:
    """Centre and spread of both gains agree with one NUTS fit of the raw runs.

    Means within three Monte Carlo standard errors, the summaries' own included (as they scatter over the chains of a
    fit), and a tenth of the posterior's standard deviation, which is what normal summaries may cost; standard
    deviations within a fifth.
    """
    beta = np.zeros((7, _P))
    beta[0] = (0.3, -0.3, 0.2, 0.2, -0.2, 0.6, -0.5)
    generating = Generating(beta, np.full(_P, 0.4))
    all_evidence = [gather(installation, _log(installation, generating, i, air)) for i in engines]
    fits = [recommender.sampler.fit_once(evidence, 0, LONG) for evidence in all_evidence]
    assert all(fit.diagnostics.converged for fit in fits)
    population = PopulationSampler(_P, 1, NORMAL)

    def staged(given: list[Posterior], method: str) -> Population:
        laid_out = stack_summaries([(summarise(fit), kind_of(installation)) for fit in given])
        measured = EngineSummaries(laid_out.precision, laid_out.shift, laid_out.ln_weight, np.ones((len(engines), 1)))
        return population.fit(measured, _PRIORS, 1, method)

    whole = staged(fits, "nuts")
    # at the same draws beneath every normal: how they differ is what the summaries differ by
    count = fits[0].diagnostics.chains
    parts = [staged([_one_chain(fit, chain) for fit in fits], "approximation") for chain in range(count)]
    joints = _drawn(_joint(all_evidence))
    assert POOLED[-2:] == ("gain_full", "gain_idle")
    for number, name in enumerate(POOLED[-2:]):
        at = POOLED.index(name)
        for what, mine, of_parts in (
            ("mu", whole.beta[:, 0, at], [each.beta[:, 0, at] for each in parts]),
            ("tau", whole.tau[:, at], [each.tau[:, at] for each in parts]),
        ):
            chains = joints[what][..., number]
            joint, ess = chains.ravel(), _ess(chains)
            scatter = np.std([each.mean() for each in of_parts], ddof=1) / np.sqrt(len(of_parts))
            error = np.hypot(joint.std() / np.sqrt(ess), scatter)
            away, spread = abs(mine.mean() - joint.mean()), float(mine.std())
            print(
                f"{name} {what}: joint {joint.mean():.3f} ± {joint.std():.3f} (ess {ess:.0f}), two stages "
                f"{mine.mean():.3f} ± {spread:.3f}, over chains {np.round([each.mean() for each in of_parts], 3)}"
            )
            assert ess > _ESS
            assert away < 3 * error + 0.1 * joint.std()
            assert spread == pytest.approx(joint.std(), rel=0.2)
