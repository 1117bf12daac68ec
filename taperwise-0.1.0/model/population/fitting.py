"""The population fitted: NUTS where it pays, a normal approximation at the mode beyond.

Both use the one graph of `taperwise.model.population.hierarchical`. The approximation finds the mode on a part of the
fleet, then goes on from there by the gradient of all engines and the part's curvature, scaled; from a start that is
consistent this takes a few steps (van der Vaart, Asymptotic Statistics, 1998, section 5.7), so its cost grows with the
number of engines and no faster. Neither is believed unchecked.
"""

import math
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.sampler import ESS_LEAST, R_HAT_MOST
from taperwise.model.population.engine_summaries import TAILS, EngineSummaries, Priors, Tail, population_data
from taperwise.shared.errors import NotConvergedError

__all__ = ["CROSSOVER", "Population", "PopulationSampler", "why_not_trusted"]

_F = NDArray[np.float64]

_Value = Callable[[_F, EngineSummaries | None], tuple[float, _F]]

CROSSOVER = 1000
"""Engines up to which NUTS is used; beyond, the approximation is as good (the bench `pool` shows both there)."""

_PART = 4096  # engines the mode is first sought on
_CHUNK = 8192  # engines taken at a time, so that memory does not grow with them
_STEPS = 20  # with the gradient of all, at the most; ten thousand to a million engines took three or four
_AWAY_MOST = 0.05  # from the mode, in posterior standard deviations; the draws' own mean is no nearer
_OPTIONS = {"draws": 1000, "tune": 500, "chains": 4, "target_accept": 0.9, "adaptation": "low_rank"}
_WITH_CARE = {"draws": 2000, "tune": 2000, "chains": 4, "target_accept": 0.98, "adaptation": "low_rank"}


@dataclass(frozen=True)
class Population:
    """What is known of how engines vary.

    Parameters
    ----------
    beta : array, (draws, k, p)
        Regression on the covariates, in units of the expert prior.
    tau : array, (draws, p)
        Spread of engines around it.
    engines : int
    method : str
        ``nuts`` or ``approximation``.
    rhat_max, ess_min : float
        Of NUTS, the bulk's effective size; 1 and the number of draws for the approximation.
    ess_tail_min : float
        Of NUTS, of the 5 % and 95 % quantiles; infinite for the approximation.
    divergences : int
        Of NUTS.
    away : float
        Of the approximation: how far the mode still is, by Newton's step, in posterior standard deviations.
    """

    beta: _F
    tau: _F
    engines: int
    method: str
    rhat_max: float
    ess_min: float
    ess_tail_min: float = math.inf
    divergences: int = 0
    away: float = 0.0


def why_not_trusted(population: Population) -> str:
    """Why its draws are not to be believed, by the bounds that an engine's own posterior is held to; empty if they are.

    Parameters
    ----------
    population : Population
        As `PopulationSampler.fit` gives it.
    """
    beta, tau, ess = population.beta, population.tau, min(population.ess_min, population.ess_tail_min)
    wild = int(np.sum(~np.isfinite(beta).all(axis=(1, 2)) | ~(np.isfinite(tau) & (tau > 0.0)).all(axis=1)))
    checks = (
        (wild == 0, f"{wild} draws not finite"),
        (population.divergences == 0, f"{population.divergences} divergences"),
        (population.rhat_max <= R_HAT_MOST, f"R-hat {population.rhat_max:.3f}, at most {R_HAT_MOST:g}"),
        (ess >= ESS_LEAST, f"effective size {ess:.0f}, at least {ESS_LEAST:.0f}"),
        (population.away <= _AWAY_MOST, f"mode {population.away:.2g} sd away, at most {_AWAY_MOST:g}"),
    )
    return "; ".join(told for kept, told in checks if not kept)


class PopulationSampler:
    """The population's graph, compiled once for either method, fed with any fleet. Safe to share between threads.

    Parameters
    ----------
    unknowns, covariates : int
        p and k.
    tails : tuple
        See `taperwise.model.population.hierarchical.TAILS`.
    cores : int
    """

    def __init__(self, unknowns: int, covariates: int, tails: Tail = TAILS, cores: int = 2) -> None:
        self._shape = (covariates, unknowns)
        self._tails = tails
        self._cores = cores
        self._compiled: Any = None
        self._gradient: Any = None
        self._lock = threading.Lock()

    def fit(self, measured: EngineSummaries, priors: Priors, seed: int, method: str = "") -> Population:
        """Draw from the posterior of β and τ, and keep what comes, converged or not.

        Parameters
        ----------
        measured : Measured
        priors : Priors
        seed : int
        method : str
            ``nuts``, ``approximation``; empty: by the number of engines.

        Raises
        ------
        ValueError
            If there are no engines.
        NotConvergedError
            If the sampler broke down, or there is no normal near the mode.
        """
        return self._drawn(measured, priors, seed, method, _OPTIONS)

    def trusted(self, measured: EngineSummaries, priors: Priors, seed: int, method: str = "") -> Population:
        """The same, to be believed: where NUTS did not converge, it is drawn once more with care.

        Raises
        ------
        ValueError
            If there are no engines.
        NotConvergedError
            If that is not to be believed either.
        """
        found = self.fit(measured, priors, seed, method)
        if found.method == "nuts" and why_not_trusted(found):
            found = self._drawn(measured, priors, seed + 7919, "nuts", _WITH_CARE)
        if doubt := why_not_trusted(found):
            raise _refusal(doubt)
        return found

    def _drawn(
        self, measured: EngineSummaries, priors: Priors, seed: int, method: str, options: Mapping[str, Any]
    ) -> Population:
        if not len(measured):
            raise ValueError("a population needs at least one engine")
        nuts = method == "nuts" or (not method and len(measured) <= CROSSOVER)
        with self._lock:
            return self._nuts(measured, priors, seed, options) if nuts else self._approximate(measured, priors, seed)

    def _made(self, compiler: Callable[[Any], Any]) -> Any:
        """The graph, compiled; sums are not regrouped for speed, or they would differ from process to process."""
        import pytensor

        from taperwise.model.population.hierarchical import build_population

        k, p = self._shape
        with pytensor.config.change_flags(numba__fastmath=False):
            return compiler(build_population(p, k, self._tails))

    def _nuts(self, measured: EngineSummaries, priors: Priors, seed: int, options: Mapping[str, Any]) -> Population:
        import nutpie
        from arviz_stats.base import array_stats

        if self._compiled is None:
            self._compiled = self._made(nutpie.compile_pymc_model)
        compiled = self._compiled.with_data(**population_data(measured, priors))
        try:
            tree = nutpie.sample(
                compiled, cores=self._cores, seed=seed, progress_bar=False, save_warmup=False, **options
            )
        except RuntimeError as error:
            raise _refusal("a sampler that broke down") from error
        beta, tau = (np.asarray(tree.posterior[name].values, float) for name in ("beta", "tau"))
        flat = np.concatenate([beta.reshape(*beta.shape[:2], -1), tau], axis=2)
        ary = np.moveaxis(flat, -1, 0)
        r_hat = np.asarray(array_stats.rhat(ary, chain_axis=1, draw_axis=2))
        bulk = np.asarray(array_stats.ess(ary, chain_axis=1, draw_axis=2, method="bulk"))
        tail = np.asarray(array_stats.ess(ary, chain_axis=1, draw_axis=2, method="tail", prob=(0.05, 0.95)))
        return Population(
            beta.reshape(-1, *self._shape),
            tau.reshape(-1, self._shape[1]),
            len(measured),
            "nuts",
            float(np.max(r_hat)),
            float(np.min(bulk)),
            float(np.min(tail)),
            int(np.sum(tree.sample_stats.diverging.values)),
        )

    def _approximate(self, measured: EngineSummaries, priors: Priors, seed: int, draws: int = 4000) -> Population:
        value = self._value(priors)
        rng = np.random.default_rng(seed)
        at, curvature = self._near_mode(value, measured, rng)
        try:
            root = np.linalg.cholesky(np.linalg.inv(curvature))
        except np.linalg.LinAlgError as error:
            raise _refusal("no normal near the mode") from error
        at, away = _at_mode(lambda q: value(q, measured)[1], at, root)
        drawn = at + rng.standard_normal((draws, self._size)) @ root.T
        k, p = self._shape
        beta = drawn[:, : k * p].reshape(-1, k, p) * priors.beta
        tau = np.exp(drawn[:, k * p :]) * priors.tau
        return Population(beta, tau, len(measured), "approximation", 1.0, float(draws), away=away)

    def _near_mode(self, value: _Value, measured: EngineSummaries, rng: np.random.Generator) -> tuple[_F, _F]:
        """Mode and curvature by a part of the fleet, the curvature scaled to all of it."""
        part = measured
        if len(measured) > _PART:
            part = measured.rows(np.sort(rng.choice(len(measured), _PART, replace=False)))
        at = _mode(lambda q: value(q, part), np.zeros(self._size) - _at_start(self._shape))
        curvature = _curvature(lambda q: value(q, part)[1], at)
        if part is not measured:
            prior = _curvature(lambda q: value(q, None)[1], at)
            curvature = prior + (curvature - prior) * (len(measured) / len(part))
        return at, curvature

    @property
    def _size(self) -> int:
        k, p = self._shape
        return k * p + p

    def _value(self, priors: Priors) -> _Value:
        """``(point, engines) -> log posterior and its gradient``, summed over chunks; None: of the prior alone."""
        import pymc as pm

        if self._gradient is None:
            self._gradient = self._made(lambda model: (model, model.logp_dlogp_function(ravel_inputs=True)))
            self._gradient[1].set_extra_values({})
        model, function = self._gradient

        def of(q: _F, measured: EngineSummaries) -> tuple[float, _F]:
            with model:
                pm.set_data(population_data(measured, priors))
            found, gradient = function(q)
            return float(found), np.array(gradient)

        nobody = _nobody_measured(*self._shape)

        def value(q: _F, measured: EngineSummaries | None) -> tuple[float, _F]:
            base, base_gradient = of(q, nobody)
            engines = nobody.rows(slice(0, 0)) if measured is None else measured
            total, gradient = base, base_gradient.copy()
            for begin in range(0, len(engines), _CHUNK):
                found, slope = of(q, engines.rows(slice(begin, begin + _CHUNK)))
                total, gradient = total + found - base, gradient + slope - base_gradient
            return total, gradient

        return value


def _refusal(doubt: str) -> NotConvergedError:
    return NotConvergedError(
        "The pool gives no reliable result", field="pool", value=doubt,
        cure="Try again after the pool changed. Until then, use the standard starting estimate.",
    )  # fmt: skip


def _nobody_measured(k: int, p: int) -> EngineSummaries:
    return EngineSummaries(np.zeros((1, 1, p, p)), np.zeros((1, 1, p)), np.zeros((1, 1)), np.zeros((1, k)))


def _at_start(shape: tuple[int, int]) -> _F:
    """Ln τ starts at a third of its scale, β at nought."""
    k, p = shape
    start: _F = np.r_[np.zeros(k * p), np.ones(p)]
    return start


def _mode(value: Callable[[_F], tuple[float, _F]], start: _F) -> _F:
    from scipy.optimize import minimize

    def negative(q: _F) -> tuple[float, _F]:
        found, gradient = value(q)
        return -found, -gradient

    return np.asarray(minimize(negative, start, jac=True, method="L-BFGS-B", options={"maxiter": 500}).x, float)


def _at_mode(gradient: Callable[[_F], _F], at: _F, root: _F) -> tuple[_F, float]:
    """On to the mode from near it, and how far it is in the end, in standard deviations of the normal of that root.

    Quasi-Newton steps with that normal's curvature to begin with (BFGS: Nocedal and Wright, Numerical Optimization,
    2006, equation 6.17).
    """
    inverse, slope = root @ root.T, gradient(at)
    for _ in range(_STEPS):
        if np.linalg.norm(root.T @ slope) <= _AWAY_MOST:
            break
        step, before = inverse @ slope, slope
        at = at + step
        slope = gradient(at)
        change = before - slope
        turned = np.eye(len(at)) - np.outer(step, change) / (change @ step)
        inverse = turned @ inverse @ turned.T + np.outer(step, step) / (change @ step)
    return at, float(np.linalg.norm(root.T @ slope))


def _curvature(gradient: Callable[[_F], _F], at: _F, step: float = 1e-3) -> _F:
    """Minus the second derivatives by central differences of the gradient, made positive definite."""
    n = len(at)
    rows = [(gradient(at - step * e) - gradient(at + step * e)) / (2 * step) for e in np.eye(n)]
    square = 0.5 * (np.array(rows) + np.array(rows).T)
    values, vectors = np.linalg.eigh(square)
    return np.asarray((vectors * np.maximum(values, 1e-3)) @ vectors.T, float)
