"""Expected information of a case to a stated error, and the plain estimator that ours is measured against."""

import time
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import qmc

from taperwise.model.design.ground_run import log_density_of
from taperwise.model.physics.priors import ROUGH_RISE_KELVIN
from taperwise.model.prediction.predictive import Outcomes
from tests.benchmarks.gain_cases import KINDS, Case

__all__ = ["Peer", "Reference", "peer_at", "reference", "same_error"]

_F = NDArray[np.float64]

_STEP_KELVIN = 1.0  # a third of the scatter's scale at its centre; the integrand is smooth
_LEVELS = np.arange(1.0, 6.0)


class Reference(NamedTuple):
    """Nats by what is read, with the standard error over independent scrambles."""

    nats: dict[str, float]
    standard_error: dict[str, float]


class Peer(NamedTuple):
    """The plain estimator at one size: root mean square error over seeds [nats], and seconds of one estimate."""

    outer: int
    error: float
    seconds: float


def _normals(power: int, dimensions: int, seed: int) -> _F:
    points = qmc.Sobol(dimensions, rng=np.random.default_rng([seed, 22])).random_base2(power)
    found: _F = ndtri(np.clip(points, 1e-12, 1.0 - 1e-12))
    return found


def reference(width: float, turns: float, outer_power: int, inner_power: int, scrambles: int) -> Reference:
    """Nested Monte Carlo with exact conditional draws, on scrambled Sobol points, the readings integrated out.

    For each of 2^outer_power values of θ the probability of every reading is a mean over 2^inner_power draws of the
    nuisances given it; the rise is cut into cells of a kelvin, the censored ends are cells of their own. The gain is
    the mean divergence of these from their mean over all scrambles (for scrambling: Owen 1997, "Monte Carlo variance
    of scrambled net quadrature", SIAM J. Numer. Anal. 34, from memory).
    """
    case = Case("both", width, turns)
    by_scramble = [_tables(case, outer_power, inner_power, s) for s in range(scrambles)]
    nats, error = {}, {}
    for number, kind in enumerate(KINDS):
        tables = np.stack([t[number] for t in by_scramble])
        overall = tables.mean(axis=(0, 1))
        ratio = np.log(np.maximum(tables, 1e-300) / np.maximum(overall, 1e-300))
        gains = (tables * ratio).sum(axis=2).mean(axis=1)
        nats[kind], error[kind] = float(gains.mean()), float(gains.std(ddof=1) / np.sqrt(scrambles))
    return Reference(nats, error)


def _tables(case: Case, outer_power: int, inner_power: int, scramble: int) -> tuple[_F, _F, _F]:
    """Chances of every rise, judgement and pair of both given each θ, (outer, cells)."""
    z, epsilon = _normals(outer_power, 2, 2 * scramble), _normals(inner_power, case.nuisances, 2 * scramble + 1)
    at = np.arange(0.5 * _STEP_KELVIN, ROUGH_RISE_KELVIN, _STEP_KELVIN)
    rises = np.concatenate([[-1.0], at, [2.0 * ROUGH_RISE_KELVIN]])
    cell = np.concatenate([[1.0], np.full(len(at), ROUGH_RISE_KELVIN / len(at)), [1.0]])
    rise_density = log_density_of(_seen(rises, np.full(len(rises), 3.0)), KINDS["rise"])
    level_density = log_density_of(_seen(np.zeros(5), _LEVELS), KINDS["idle"])
    found: tuple[list[_F], list[_F], list[_F]] = ([], [], [])
    for one in z:
        latents = case.latents(np.broadcast_to(one, (len(epsilon), 2)), epsilon)[:, None, :]
        rise = np.exp(rise_density(np.arange(len(rises)), latents)) * cell[:, None]
        level = np.exp(level_density(np.arange(5), latents))
        both = rise @ level.T / len(epsilon)
        for kept, table in zip(found, (rise.mean(axis=1), level.mean(axis=1), both.ravel()), strict=True):
            kept.append(table / table.sum())
    rise_table, level_table, both_table = (np.stack(kept) for kept in found)
    return rise_table, level_table, both_table


def _seen(rise: _F, level: _F) -> Outcomes:
    nothing = np.zeros(len(rise))
    return Outcomes(rise, level, nothing, nothing, nothing, nothing, nothing[:, None])


def nested(case: Case, outer: int, rng: np.random.Generator) -> float:
    """Plain nested Monte Carlo (Rainforth et al. 2018, arXiv:1709.06181), inner size the root of the outer [nats].

    The nuisances of the numerator are drawn given each θ, exactly; the denominator's draws are fresh for each reading.
    """
    inner = max(2, round(np.sqrt(outer)))
    z, own = rng.standard_normal((outer, 2)), rng.standard_normal((outer, case.nuisances))
    density = log_density_of(case.outcomes(case.latents(z, own), rng), KINDS[case.kind])
    gains = []
    for part in np.array_split(np.arange(outer), max(1, outer * inner // 200_000)):
        shape = (len(part), inner)
        given = case.latents(z[part][:, None, :], rng.standard_normal((*shape, case.nuisances)))
        anyone = case.latents(rng.standard_normal((*shape, 2)), rng.standard_normal((*shape, case.nuisances)))
        gains.append(_log_mean(density(part, given)) - _log_mean(density(part, anyone)))
    return float(np.concatenate(gains).mean())


def _log_mean(values: _F) -> _F:
    top = values.max(axis=1)
    found: _F = top + np.log(np.exp(values - top[:, None]).mean(axis=1))
    return found


def peer_at(case: Case, outer: int, exact: float, seeds: int) -> Peer:
    """The plain estimator's error and time at one size."""
    errors, seconds = [], []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, outer, 23])
        begun = time.perf_counter()
        errors.append(nested(case, outer, rng) - exact)
        seconds.append(time.perf_counter() - begun)
    return Peer(outer, float(np.sqrt(np.mean(np.square(errors)))), float(np.median(seconds)))


def same_error(case: Case, exact: float, error: float, seeds: int, most: int) -> tuple[Peer, bool]:
    """The plain estimator at the size at which its error is that of another, and whether it got there.

    Sizes double until it has; between the last two the size and the time are those of a line through logarithms.
    Where it did not get there, the largest size stands: the time is then too short, never too long.
    """
    before = peer = peer_at(case, 64, exact, seeds)
    while peer.error > error and 2 * peer.outer <= most:
        before, peer = peer, peer_at(case, 2 * peer.outer, exact, seeds)
    if peer.error > error:
        return peer, False
    if before.error <= error or before.error <= peer.error:
        return peer, True
    share = np.log(before.error / error) / np.log(before.error / peer.error)
    seconds = np.exp(np.log(before.seconds) + share * np.log(peer.seconds / before.seconds))
    return Peer(round(float(before.outer * 2.0**share)), error, float(seconds)), True
