"""Virtual engines of one population: tuned into a pool, or from what a pool says of them."""

import os
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from taperwise.model.population.covariates import Kind
from tests.benchmarks.campaign import prepared
from tests.benchmarks.shared_out import compiled_before

__all__ = [
    "SCATTER",
    "Drawn",
    "Left",
    "Tuned",
    "contribution",
    "known_exactly",
    "population",
    "served",
    "tuned",
    "virtual_engine",
]

SCATTER = 0.3
"""How far engines of the kind scatter, in spreads of the expert prior, unless told otherwise; invented."""


class Drawn(NamedTuple):
    """Which virtual engine.

    Parameters
    ----------
    seed : int
        Of its population.
    number : int
        The same number is the same engine, whatever it is tuned from.
    scatter : float
        How far engines of that population scatter, in spreads of the expert prior.
    odd : float
        How many times farther than that this one may be from their centre.
    again : int
        Only changes its readings and the weather.
    """

    seed: int
    number: int
    scatter: float = SCATTER
    odd: float = 1.0
    again: int = 0


@dataclass(frozen=True)
class Left:
    """What an engine left: precision, shift and weight of each component, and its kind."""

    number: int
    components: list[tuple[list[list[float]], list[float], float]]
    nats: float
    kind: Kind


@dataclass(frozen=True)
class Tuned:
    """One new engine's campaign, from the expert's prior or the pool's."""

    number: int
    prior: str
    fitting: bool
    finished: str
    runs: int
    true_claim: bool | None
    lean_runs: int


def population(seed: int, scatter: float = SCATTER) -> Any:
    """The population of the bench: one kind of engine, off the expert's centre by about one of its spreads."""
    from taperwise.model.inference.engine_prior import POOLED
    from tests.benchmarks.engines.virtual_population import Generating

    rng = np.random.default_rng([seed, 11])
    beta = np.zeros((7, len(POOLED)))
    beta[0] = rng.choice([-1.0, 1.0], len(POOLED)) * rng.uniform(0.4, 1.0, len(POOLED))
    return Generating(beta, np.full(len(POOLED), scatter))


def known_exactly(seed: int, scatter: float) -> tuple[Any, Any]:
    """Centre and root of the population's own prior."""
    from taperwise.api.files.installation import installation_from
    from taperwise.model.population.covariates import kind_of

    known = population(seed, scatter).engine(kind_of(installation_from(None).record()))
    return known.centre, known.root


def _campaign(drawn: Drawn, prior: Any) -> Any:
    """One engine tuned by us from where its prior says; the engine is the same whatever the prior."""
    from taperwise.api.files.installation import installation_from
    from taperwise.model.design.starting_point import start_of
    from taperwise.model.inference.engine_prior import EXPERT
    from taperwise.shared.runs import Air
    from tests.benchmarks.engines.campaign import run_campaign
    from tests.benchmarks.engines.families import STANDARD
    from tests.benchmarks.engines.policies import fitting_positions, make_policy

    base = installation_from(None).record()
    recommender = prepared()
    recommender.prior = prior or EXPERT
    installation, first = base, None
    reach = start_of(base, recommender.prior, drawn.seed)[0]
    if reach.chance_both > 0.0:
        installation, first = _set_up(base, reach)
    engine = virtual_engine(installation, drawn)
    fitting = bool(fitting_positions(virtual_engine(base, drawn), Air(288.15, 101_325.0)))
    before: tuple[Any, ...] = ()
    policy = make_policy("ours", recommender, np.random.default_rng([drawn.seed, drawn.number, 3, drawn.again]))
    if first is not None:
        engine.adjust(first)
        before = (first,)
    done = run_campaign(
        engine, lambda e, entries, air: policy(e, [*before, *entries], air), STANDARD.weather,
        np.random.default_rng([drawn.seed, drawn.number, 2, drawn.again]), fitting,
    )  # fmt: skip
    return installation, before, done


def _set_up(base: Any, reach: Any) -> tuple[Any, Any]:
    from taperwise.shared.limits import PLAUSIBLE_TURNS
    from taperwise.shared.records import TurnScrew

    turns = float(np.clip(reach.turns, -PLAUSIBLE_TURNS, PLAUSIBLE_TURNS))
    return replace(base, fitted_needle=reach.needle), TurnScrew(turns) if turns else None


def virtual_engine(installation: Any, drawn: Drawn) -> Any:
    """That engine with this installation; the engine itself is the same with any."""
    from taperwise.model.inference.prior_draws import draw_unknowns
    from taperwise.model.population.covariates import kind_of
    from taperwise.model.simulation.virtual_engine import VirtualEngine

    of_all = population(drawn.seed, drawn.scatter)
    prior = replace(of_all, tau=drawn.odd * of_all.tau).engine(kind_of(installation))
    truth = draw_unknowns(installation, np.random.default_rng([drawn.seed, drawn.number, 1]), prior)
    return VirtualEngine(installation, truth, np.random.default_rng([drawn.seed, drawn.number, 4, drawn.again]))


def contribution(drawn: Drawn) -> Left:
    """An engine tuned from the expert prior, and what it leaves to the pool."""
    from taperwise.model.population.covariates import kind_of

    installation, before, done = _campaign(drawn, None)
    summary = prepared().summarise(prepared().fit(installation, [*before, *done.entries]))
    parts = [(c.precision.tolist(), c.shift.tolist(), float(c.ln_weight)) for c in summary.components]
    return Left(drawn.number, parts, float(summary.nats), kind_of(installation))


def served(left: list[Left], seed: int) -> Any:
    """The prior served to the next engine, once the population is fitted to what others left."""
    compiled_before()
    from taperwise.api.files.installation import installation_from
    from taperwise.model.population.covariates import kind_of
    from taperwise.model.population.fitting import PopulationSampler
    from taperwise.model.population.predictive_prior import POPULATION_PRIORS, predictive_prior
    from taperwise.model.population.summary import Component, Summary, stack_summaries

    def summary_of(each: Left) -> Summary:
        parts = (Component(np.array(p), np.array(s), w) for p, s, w in each.components)
        return Summary(tuple(parts), each.nats)

    k, p = POPULATION_PRIORS.beta.shape
    measured = stack_summaries([(summary_of(each), each.kind) for each in left])
    fitted = PopulationSampler(p, k, cores=os.cpu_count() or 1).trusted(measured, POPULATION_PRIORS, seed)
    return predictive_prior(fitted, kind_of(installation_from(None).record()))


def tuned(drawn: Drawn, name: str, prior: Any) -> Tuned:
    """An engine tuned from a prior, given as `EnginePrior` takes it, or the expert's; `name` says whose it is."""
    from taperwise.model.inference.engine_prior import EnginePrior

    given = None if prior is None else EnginePrior(*prior)
    _, _, done = _campaign(drawn, given)
    return Tuned(drawn.number, name, done.fitting, done.finished, done.runs, done.true_claim, done.lean_runs)
