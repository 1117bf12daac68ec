"""One set of formulas for two kinds of arrays.

The forward model and the observation densities are written once, against `Backend`. The sampler
evaluates them on PyTensor variables (`taperwise.model.inference.pymc_model`), prediction and the virtual engine on
numpy arrays.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["NUMPY", "Array", "Backend"]

Array = Any
"""A numpy array or a PyTensor variable; the formulas only use operators and a `Backend`."""


@dataclass(frozen=True)
class Backend:
    """The functions the formulas need, elementwise but for `dot` and `stack` (broadcasts, then a new last axis).

    `may_hold` says whether a mask may hold anything: what holds nothing for sure need not be computed. `held` of a mask
    gives a function that takes from arrays of its shape what may be held, in whatever shape is quickest.
    """

    sqrt: Callable[[Array], Array]
    exp: Callable[[Array], Array]
    log: Callable[[Array], Array]
    arccos: Callable[[Array], Array]
    minimum: Callable[[Array, Array], Array]
    maximum: Callable[[Array, Array], Array]
    where: Callable[[Array, Array, Array], Array]
    logaddexp: Callable[[Array, Array], Array]
    softplus: Callable[[Array], Array]
    dot: Callable[[Array, Array], Array]
    stack: Callable[[Sequence[Array]], Array]
    may_hold: Callable[[Array], bool]
    held: Callable[[Array], Callable[[Array], Array]]


def _numpy_softplus(x: Array) -> Array:
    # twice as fast as numpy's logaddexp, which is not vectorised
    return np.maximum(x, 0.0) + np.log1p(np.exp(-np.abs(x)))


def _numpy_stack(parts: Sequence[Array]) -> Array:
    return np.stack(np.broadcast_arrays(*parts), axis=-1)


NUMPY = Backend(
    sqrt=np.sqrt,
    exp=np.exp,
    log=np.log,
    arccos=np.arccos,
    minimum=np.minimum,
    maximum=np.maximum,
    where=np.where,
    logaddexp=np.logaddexp,
    softplus=_numpy_softplus,
    dot=np.dot,
    stack=_numpy_stack,
    may_hold=lambda mask: bool(np.any(mask)),
    held=lambda mask: lambda x: x,
)
"""The formulas on numpy arrays."""
