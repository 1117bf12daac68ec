"""Likelihoods of engines averaged over their kinds, with their slopes, as loops that are compiled to machine code.

As a graph, every step of a decomposition would be an array of its own, to be compiled by itself. Here one pass over
the engines gives the sum and both of its slopes; PyTensor only needs to know that it may be asked for them.
"""

import inspect
import sys
from hashlib import sha256
from math import exp, log, sqrt
from typing import Any

import numpy as np
import pytensor.tensor as pt
from numba.extending import register_jitable
from pytensor.gradient import disconnected_type
from pytensor.graph.basic import Apply
from pytensor.graph.op import Op
from pytensor.link.numba.dispatch.basic import numba_njit, register_funcify_default_op_cache_key

__all__ = ["averaged", "ln_evidence"]


@register_jitable  # type: ignore[untyped-decorator]
def _invert_root(spread: Any, precision: Any, root: Any, inverse: Any) -> float:
    """Into `root` the lower root of I + A with A = τΛτ, into `inverse` what inverts it; gives ½ ln|I + A|."""
    ln_root_det = 0.0
    for j in range(len(spread)):
        for k in range(j + 1):
            x = spread[j] * spread[k] * precision[j, k]
            if j == k:
                x += 1.0
            for q in range(k):
                x -= root[j, q] * root[k, q]
            root[j, k] = sqrt(x) if j == k else x / root[k, k]
        ln_root_det += log(root[j, j])
        for k in range(j + 1):
            x = 1.0 if j == k else 0.0
            for q in range(k, j):
                x -= root[j, q] * inverse[q, k]
            inverse[j, k] = x / root[j, j]
    return ln_root_det


@register_jitable  # type: ignore[untyped-decorator]
def _solve(inverse: Any, r: Any, y: Any) -> float:
    """Into `y` what Br is, by the inverse of the root of I + A; gives ½ r·Br."""
    half = 0.0
    for k in range(len(r)):
        y[k] = 0.0
    for q in range(len(r)):
        x = 0.0
        for k in range(q + 1):
            x += inverse[q, k] * r[k]
        half += 0.5 * x * x
        for k in range(q + 1):
            y[k] += inverse[q, k] * x
    return half


@register_jitable  # type: ignore[untyped-decorator]
def _slopes(precision: Any, g: Any, spread: Any, y: Any, inverse: Any, of_mean: Any, of_tau: Any) -> None:
    """Into `of_mean` and `of_tau` the slopes of one component's term, the latter in the spread as it is here."""
    p = len(g)
    for j in range(p):
        pulled, narrowed = 0.0, 0.0
        for k in range(p):
            pulled += precision[j, k] * spread[k] * y[k]
            b = 0.0
            for q in range(max(j, k), p):
                b += inverse[q, j] * inverse[q, k]
            narrowed += precision[j, k] * spread[k] * b
        of_mean[j] = g[j] - pulled
        of_tau[j] = y[j] * (g[j] - pulled) - narrowed


def averaged(precision: Any, shift: Any, ln_weight: Any, mean: Any, tau: Any, tails: Any) -> tuple[Any, Any, Any]:
    """Sum over engines of ln Σ_cs w_c·share_s ∫ exp(η·θ − ½ θ·Λθ) N(θ; μ, wider_s·τ²) dθ, and its slopes in μ and τ.

    With A = τΛτ, g = η − Λμ, r = τg and B = (I + A)⁻¹, a component's term is −½ ln|I + A| + ½ r·Br + η·μ − ½ μ·Λμ
    (completing the square). With y = Br its slope in μ is g − Λ(τy), in τⱼ it is yⱼ(gⱼ − (Λ(τy))ⱼ) − (ΛτB)ⱼⱼ.

    Parameters
    ----------
    precision, shift, ln_weight : array
        Λ (n, m, p, p), η (n, m, p) and ln w (n, m), as `taperwise.model.population.engine_summaries.Measured` has them.
    mean : array, (n, p)
        μ of each engine's kind.
    tau : array, (p,)
        Spread around it.
    tails : array, (s, 2)
        Shares of engines, and how many times wider the variance is among them.

    Returns
    -------
    tuple
        The sum [nats], its slope in μ (n, p) and in τ (p,).
    """
    n, m, p = shift.shape
    kinds = len(tails)
    total, by_mean, by_tau = 0.0, np.zeros((n, p)), np.zeros(p)
    ln, of_mean, of_tau = np.empty(m * kinds), np.empty((m * kinds, p)), np.empty((m * kinds, p))
    g, r, y, spread = np.empty(p), np.empty(p), np.empty(p), np.empty(p)
    root, inverse = np.empty((p, p)), np.empty((p, p))
    for i in range(n):
        for c in range(m):
            centre = ln_weight[i, c]
            for j in range(p):
                at_mean = 0.0
                for k in range(p):
                    at_mean += precision[i, c, j, k] * mean[i, k]
                g[j] = shift[i, c, j] - at_mean
                centre += mean[i, j] * (shift[i, c, j] - 0.5 * at_mean)
            for s in range(kinds):
                at, wider = c * kinds + s, sqrt(tails[s, 1])
                for j in range(p):  # written out: an array made anew for each would cost as much as the rest
                    spread[j] = wider * tau[j]
                    r[j] = spread[j] * g[j]
                ln[at] = centre + log(tails[s, 0]) - _invert_root(spread, precision[i, c], root, inverse)
                ln[at] += _solve(inverse, r, y)
                _slopes(precision[i, c], g, spread, y, inverse, of_mean[at], of_tau[at])
        most, weight = ln.max(), 0.0
        for at in range(m * kinds):
            ln[at] = exp(ln[at] - most)
            weight += ln[at]
        total += most + log(weight)
        for at in range(m * kinds):
            wider = sqrt(tails[at % kinds, 1])
            for j in range(p):
                by_mean[i, j] += ln[at] / weight * of_mean[at, j]
                by_tau[j] += ln[at] / weight * wider * of_tau[at, j]
    return total, by_mean, by_tau


class _Averaged(Op):  # type: ignore[misc]
    """`averaged` in a graph. Slopes in μ and τ alone, and no slopes of slopes."""

    __props__ = ()

    def make_node(self, *inputs: Any) -> Any:
        return Apply(self, [pt.as_tensor_variable(x) for x in inputs], [pt.dscalar(), pt.dmatrix(), pt.dvector()])

    def perform(self, node: Any, inputs: Any, output_storage: Any) -> None:
        for storage, found in zip(output_storage, averaged(*inputs), strict=True):
            storage[0] = np.asarray(found)

    def connection_pattern(self, node: Any) -> list[list[bool]]:
        return [[i in (_MEAN, _TAU), False, False] for i in range(len(node.inputs))]

    def pullback(self, inputs: Any, outputs: Any, cotangents: Any) -> list[Any]:
        found = [disconnected_type() for _ in inputs]
        found[_MEAN], found[_TAU] = (cotangents[0] * slope for slope in outputs[1:])
        return found


_MEAN, _TAU = 3, 4  # places among the inputs


@register_funcify_default_op_cache_key(_Averaged)  # type: ignore[untyped-decorator]
def _compiled(op: Any, node: Any = None, **_: Any) -> tuple[Any, int]:
    """Machine code; what is kept is that of this very text."""
    loops, text = numba_njit(averaged), inspect.getsource(sys.modules[__name__])

    def in_arrays(precision, shift, ln_weight, mean, tau, tails):  # type: ignore[no-untyped-def]
        total, by_mean, by_tau = loops(precision, shift, ln_weight, mean, tau, tails)
        return np.asarray(total), by_mean, by_tau

    return numba_njit(in_arrays), int(sha256(text.encode()).hexdigest()[:8], 16)


def ln_evidence(precision: Any, shift: Any, ln_weight: Any, mean: Any, tau: Any, tails: Any) -> Any:
    """The sum that `averaged` gives, in a graph; parameters as there, but PyTensor variables."""
    return _Averaged()(precision, shift, ln_weight, mean, tau, tails)[0]
